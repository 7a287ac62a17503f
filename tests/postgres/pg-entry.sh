#!/bin/sh
# Starts the server in a container: makes the cluster on first start, then runs it as postgres.
set -e
export PATH=/usr/lib/postgresql/15/bin:$PATH PGDATA=${PGDATA:-/var/lib/postgresql/data}
if [ "$(id -u)" = 0 ]; then
  mkdir -p "$PGDATA"
  chown postgres "$PGDATA"
  chmod 700 "$PGDATA"
  exec setpriv --reuid=postgres --regid=postgres --init-groups "$0" "$@"
fi
if [ ! -s "$PGDATA/PG_VERSION" ]; then
  password=$(mktemp)
  printf '%s\n' "${POSTGRES_PASSWORD:?set POSTGRES_PASSWORD}" > "$password"
  initdb -U "${POSTGRES_USER:-postgres}" -A scram-sha-256 -E UTF8 --locale=C.UTF-8 \
    --pwfile="$password" > /dev/null
  rm -f "$password"
  echo "host all all all scram-sha-256" >> "$PGDATA/pg_hba.conf"
fi
exec postgres -c listen_addresses='*' -c unix_socket_directories=/tmp "$@"
