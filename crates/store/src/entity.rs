//! Tables as sea-orm sees them. Every one but `organisations` is keyed by organisation and id.

pub mod absences;
pub mod bay_closures;
pub mod bays;
pub mod boats;
pub mod bookings;
pub mod calendar_days;
pub mod calendars;
pub mod credentials;
pub mod currency_rates;
pub mod due_rows;
pub mod engine_models;
pub mod engines;
pub mod feeds;
pub mod finding_kinds;
pub mod finding_photos;
pub mod findings;
pub mod fittings;
pub mod forecast_parts;
pub mod forecast_rows;
pub mod gearcase_tests;
pub mod hire_check_items;
pub mod hire_checks;
pub mod hire_log;
pub mod history;
pub mod holds;
pub mod idempotency_keys;
pub mod invoice_lines;
pub mod job_parts;
pub mod job_tasks;
pub mod jobs;
pub mod kit_lines;
pub mod lead_times;
pub mod lots;
pub mod meters;
pub mod model_test_figures;
pub mod model_torques;
pub mod order_advice_rows;
pub mod order_lines;
pub mod orders;
pub mod organisations;
pub mod parts;
pub mod people;
pub mod person_skills;
pub mod plans;
pub mod pool_minimums;
pub mod pool_stays;
pub mod pools;
pub mod programme_intervals;
pub mod readings;
pub mod receipt_lines;
pub mod receipts;
pub mod reservations;
pub mod run_files;
pub mod runs;
pub mod service_parts;
pub mod services;
pub mod sessions;
pub mod sign_in_links;
pub mod site_prices;
pub mod sites;
pub mod skills;
pub mod standstills;
pub mod stock_levels;
pub mod stock_moves;
pub mod supersessions;
pub mod supplier_seasons;
pub mod suppliers;
pub mod task_links;
pub mod task_parts;
pub mod tasks;
pub mod term_breaks;
pub mod terms;
pub mod tokens;
pub mod visit_tasks;
pub mod visits;

/// Names of all tables.
pub const TABLES: &[&str] = &[
    "organisations",
    "calendars",
    "calendar_days",
    "sites",
    "site_prices",
    "currency_rates",
    "people",
    "credentials",
    "tokens",
    "sessions",
    "sign_in_links",
    "skills",
    "person_skills",
    "absences",
    "bays",
    "bay_closures",
    "feeds",
    "history",
    "idempotency_keys",
    "engine_models",
    "model_torques",
    "model_test_figures",
    "pools",
    "pool_minimums",
    "boats",
    "engines",
    "pool_stays",
    "standstills",
    "fittings",
    "bookings",
    "hire_log",
    "hire_checks",
    "hire_check_items",
    "meters",
    "readings",
    "parts",
    "kit_lines",
    "supersessions",
    "suppliers",
    "supplier_seasons",
    "terms",
    "term_breaks",
    "lead_times",
    "tasks",
    "task_links",
    "programme_intervals",
    "task_parts",
    "finding_kinds",
    "runs",
    "run_files",
    "due_rows",
    "forecast_parts",
    "forecast_rows",
    "order_advice_rows",
    "findings",
    "finding_photos",
    "holds",
    "jobs",
    "job_tasks",
    "job_parts",
    "services",
    "service_parts",
    "gearcase_tests",
    "plans",
    "visits",
    "visit_tasks",
    "orders",
    "order_lines",
    "receipts",
    "receipt_lines",
    "invoice_lines",
    "lots",
    "stock_moves",
    "stock_levels",
    "reservations",
];

#[cfg(test)]
mod tests {
    use sea_orm::sea_query::Iden as _;
    use sea_orm::{ConnectionTrait as _, DbBackend, EntityTrait, Iterable as _, Statement};

    use super::{
        TABLES, absences, bay_closures, bays, boats, bookings, calendar_days, calendars,
        credentials, currency_rates, due_rows, engine_models, engines, feeds, finding_kinds,
        finding_photos, findings, fittings, forecast_parts, forecast_rows, gearcase_tests,
        hire_check_items, hire_checks, hire_log, history, holds, idempotency_keys, invoice_lines,
        job_parts, job_tasks, jobs, kit_lines, lead_times, lots, meters, model_test_figures,
        model_torques, order_advice_rows, order_lines, orders, organisations, parts, people,
        person_skills, plans, pool_minimums, pool_stays, pools, programme_intervals, readings,
        receipt_lines, receipts, reservations, run_files, runs, service_parts, services, sessions,
        sign_in_links, site_prices, sites, skills, standstills, stock_levels, stock_moves,
        supersessions, supplier_seasons, suppliers, task_links, task_parts, tasks, term_breaks,
        terms, tokens, visit_tasks, visits,
    };

    fn columns<E: EntityTrait>() -> Vec<String> {
        let mut names: Vec<String> = E::Column::iter().map(|column| column.to_string()).collect();
        names.sort_unstable();
        names
    }

    macro_rules! columns_of {
        ($($table:ident),+ $(,)?) => {
            vec![$((stringify!($table), columns::<$table::Entity>())),+]
        };
    }

    /// A column of an entity that no migration makes, or the other way round, fails only at the
    /// first statement that names it; here it fails at once.
    #[tokio::test]
    async fn entities_have_the_columns_that_the_migrations_make() {
        let path = std::env::temp_dir().join(format!("{}.sqlite", uuid::Uuid::now_v7()));
        let store = crate::Store::open(path.to_str().unwrap()).await.unwrap();
        store.migrate().await.unwrap();
        let all = columns_of![
            absences,
            bay_closures,
            bays,
            boats,
            bookings,
            calendar_days,
            calendars,
            credentials,
            currency_rates,
            due_rows,
            engine_models,
            engines,
            feeds,
            finding_kinds,
            finding_photos,
            findings,
            fittings,
            forecast_parts,
            forecast_rows,
            gearcase_tests,
            hire_check_items,
            hire_checks,
            hire_log,
            history,
            holds,
            idempotency_keys,
            invoice_lines,
            job_parts,
            job_tasks,
            jobs,
            kit_lines,
            lead_times,
            lots,
            meters,
            model_test_figures,
            model_torques,
            order_advice_rows,
            order_lines,
            orders,
            organisations,
            parts,
            people,
            person_skills,
            plans,
            pool_minimums,
            pool_stays,
            pools,
            programme_intervals,
            readings,
            receipt_lines,
            receipts,
            reservations,
            run_files,
            runs,
            service_parts,
            services,
            sessions,
            sign_in_links,
            site_prices,
            sites,
            skills,
            standstills,
            stock_levels,
            stock_moves,
            supersessions,
            supplier_seasons,
            suppliers,
            task_links,
            task_parts,
            tasks,
            term_breaks,
            terms,
            tokens,
            visit_tasks,
            visits
        ];
        assert_eq!(all.len(), TABLES.len());
        for (table, columns) in all {
            let sql = format!("SELECT name FROM pragma_table_info('{table}') ORDER BY name");
            let statement = Statement::from_string(DbBackend::Sqlite, sql);
            let rows = store.connection().query_all_raw(statement).await.unwrap();
            let made: Vec<String> =
                rows.iter().map(|row| row.try_get("", "name").unwrap()).collect();
            assert_eq!(columns, made, "{table}");
        }
        std::fs::remove_file(path).unwrap();
    }
}
