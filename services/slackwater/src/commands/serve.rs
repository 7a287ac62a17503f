//! Serves the pages and the API, and works through what is asked for.

use std::net::SocketAddr;
use std::sync::Arc;

use axum::Router;
use chrono::Utc;
use clap::Args;
use pages::{Cookies, PagesState};
use store::Store;
use tokio::net::TcpListener;
use tokio::sync::watch;

use crate::connect::{DatabaseArgs, wait_for};
use crate::failure::CommandError;

/// Serve the pages and the API, and work through what is asked for
#[derive(Args)]
#[command(after_help = "Examples:
  slackwater serve
  slackwater serve --database postgres://slackwater@db.internal/slackwater --listen 0.0.0.0:8320

On an address of this machine alone (127.0.0.1, ::1) people may sign in over plain HTTP; anywhere else
put a proxy that speaks TLS in front: cookies are then sent over TLS only.")]
pub struct ServeArgs {
    /// Address and port to answer on
    #[arg(long, env = "SLACKWATER_LISTEN", default_value = "127.0.0.1:8320")]
    listen: SocketAddr,
    /// Leave the runs to other processes (`slackwater work`)
    #[arg(long)]
    no_work: bool,
    #[command(flatten)]
    place: DatabaseArgs,
}

/// Whether this process also carries out runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Work {
    Here,
    Elsewhere,
}

pub fn run(args: &ServeArgs) -> Result<(), CommandError> {
    start_log();
    wait_for(async {
        let store = Arc::new(args.place.open().await?);
        let listener = listen(args.listen).await?;
        println!("Slackwater answers on http://{}", address_of(&listener, args.listen));
        let work = if args.no_work { Work::Elsewhere } else { Work::Here };
        let clock: runs::Clock = Arc::new(Utc::now);
        serve(store, listener, cookies(args.listen), work, clock).await
    })
}

/// Whether cookies may travel without TLS.
pub const fn cookies(listen: SocketAddr) -> Cookies {
    if listen.ip().is_loopback() { Cookies::Loopback } else { Cookies::Secure }
}

/// # Errors
/// The address is taken, or not this machine's.
pub async fn listen(address: SocketAddr) -> Result<TcpListener, CommandError> {
    TcpListener::bind(address).await.map_err(|cause| {
        CommandError::Failed(format!("can't answer on {address}: {cause}; try another --listen"))
    })
}

/// The address that was really taken: port 0 asks for any free one.
pub fn address_of(listener: &TcpListener, asked: SocketAddr) -> SocketAddr {
    listener.local_addr().unwrap_or(asked)
}

/// Serves until the process is asked to end; requests under way are finished.
///
/// # Errors
/// The listener failed.
pub async fn serve(
    store: Arc<Store>,
    listener: TcpListener,
    cookies: Cookies,
    work: Work,
    clock: runs::Clock,
) -> Result<(), CommandError> {
    let schedules = worker::defaults().map_err(|error| CommandError::Failed(error.to_string()))?;
    let (end, ended) = watch::channel(false);
    let working = (work == Work::Here).then(|| {
        tokio::spawn(worker::work(Arc::clone(&store), Arc::clone(&clock), schedules, ended))
    });
    let api = api::router(api::ApiState::new(Arc::clone(&store)));
    let state = PagesState::new(Arc::clone(&store), cookies).with_clock(move || clock());
    let pages = pages::router(state);
    let app = Router::new().merge(api).fallback_service(pages);
    axum::serve(listener, app.into_make_service_with_connect_info::<SocketAddr>())
        .with_graceful_shutdown(asked_to_end())
        .await
        .map_err(|cause| CommandError::Failed(format!("the service ended: {cause}")))?;
    let _ = end.send(true);
    if let Some(working) = working {
        // A run under way is finished: it would else be on record as running for hours.
        let _ = working.await;
    }
    Ok(())
}

/// Interrupt from a terminal, terminate from a service manager.
pub async fn asked_to_end() {
    let interrupt = tokio::signal::ctrl_c();
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut terminate) = signal(SignalKind::terminate()) {
            tokio::select! {
                _ = interrupt => {}
                _ = terminate.recv() => {}
            }
            return;
        }
    }
    let _ = interrupt.await;
}

/// Log lines to standard error; `RUST_LOG` sets how much.
pub fn start_log() {
    use tracing_subscriber::EnvFilter;
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("warn"));
    let _ =
        tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).try_init();
}
