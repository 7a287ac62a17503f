//! All addresses of the pages, in one list.

use axum::Router;
use axum::extract::{DefaultBodyLimit, Path, Request, State};
use axum::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, CONTENT_TYPE, HeaderName, REFERRER_POLICY, SET_COOKIE,
    X_CONTENT_TYPE_OPTIONS, X_FRAME_OPTIONS,
};
use axum::http::{HeaderValue, StatusCode};
use axum::middleware::{Next, from_fn, from_fn_with_state};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};

use crate::cookie::Cookie;
use crate::failure::Failure;
use crate::state::PagesState;
use crate::{
    afloat, bench, beside, board, bundles, calendars, check, correction, count, engine, feed,
    files, finding, fleet_list, job, lay_up, life, lives, look, meter, moves, order, orders, part,
    plan_run, purchase, purchase_forms, retire, rotation, shelf_life, sign_in, spare, stores,
    supplier, surplus, swap_correction, tag, transfer, visit, what_if, yard,
};

/// Largest form taken: a board of a thousand lines is some 100 kB.
const FORM_BYTES_MAX: usize = 1 << 20;

/// The pages as a service. Everything but the look, the way in and calendar feeds, whose address is
/// their key, asks for a session.
pub fn router(state: PagesState) -> Router {
    Router::new()
        .route("/", get(|| async { Redirect::to("/afloat") }))
        .route("/sign-in", get(sign_in::show).post(sign_in::sign_in))
        .route("/sign-in/once/{token}", get(sign_in::sign_in_once))
        .route("/sign-out", post(sign_in::sign_out))
        .route("/afloat", get(afloat::show))
        .route("/lay-up", get(lay_up::show))
        .route("/lay-up/bundles", get(bundles::show))
        .route("/afloat/rotation", get(rotation::show))
        .route("/plans/ask", post(plan_run::ask))
        .route("/plans/runs/{run}", get(plan_run::show))
        .route("/plans/runs/{run}/stop", post(plan_run::stop))
        .route("/plans/visits/{visit}", get(visit::show))
        .route("/plans/visits/{visit}/move", post(visit::keep))
        .route("/plans/visits/{visit}/lock", post(visit::lock))
        .route("/plans/{plan}/publish", post(visit::publish))
        .route("/plans/{plan}/draft", post(visit::draft))
        .route("/plans/{plan}/what-if", get(what_if::show).post(what_if::ask))
        .route("/plans/{plan}/beside/{other}", get(beside::show))
        .route("/bench", get(bench::show))
        .route("/bench/jobs/{job}", get(job::show).post(job::save))
        .route("/yard", get(yard::show))
        .route("/yard/calendars", get(calendars::show).post(calendars::make))
        .route("/yard/calendars/{feed}/close", post(calendars::close))
        .route(
            "/yard/files",
            get(files::show).post(files::look).layer(DefaultBodyLimit::max(files::FORM_BYTES_MAX)),
        )
        .route("/yard/files/keep", post(files::keep))
        .route("/yard/files/{kind}", get(files::template))
        .route("/stores", get(stores::show))
        .route("/stores/count", get(count::show).post(count::save))
        .route("/stores/shelf-life", get(shelf_life::show))
        .route("/stores/parts/{part}", get(part::show))
        .route("/stores/parts/{part}/moves", get(moves::show))
        .route("/stores/parts/{part}/bin", post(part::keep_bin))
        .route("/stores/parts/{part}/transfer", post(transfer::save))
        .route("/stores/order", get(order::show))
        .route("/stores/order/point", post(order::move_point))
        .route("/stores/order/draft", post(order::draft))
        .route("/stores/orders", get(orders::show))
        .route("/stores/orders/{order}", get(purchase::show))
        .route("/stores/orders/{order}/{what}", post(purchase_forms::of_order))
        .route("/stores/orders/{order}/sheet/{format}", get(purchase::sheet))
        .route("/stores/orders/{order}/lines/{line}/{what}", post(purchase_forms::of_line))
        .route("/stores/suppliers/{supplier}", get(supplier::show))
        .route("/stores/surplus", get(surplus::show))
        .route("/fleet", get(fleet_list::show))
        .route("/fleet/lives", get(lives::show))
        .route("/fleet/lives/{part}", get(life::show))
        .route("/fleet/lives/{part}/accept", post(life::accept))
        .route("/fleet/retire", get(retire::show))
        .route("/fleet/hours", get(board::show).post(board::save))
        .route("/fleet/engines/{engine}", get(engine::show))
        .route("/fleet/engines/{engine}/meter", get(meter::show).post(meter::save))
        .route(
            "/fleet/engines/{engine}/meter/correction",
            get(swap_correction::show).post(swap_correction::save),
        )
        .route("/fleet/engines/{engine}/correction", get(correction::show).post(correction::save))
        .route("/fleet/engines/{engine}/finding", get(finding::show).post(finding::save))
        .route("/fleet/engines/{engine}/check", get(check::show).post(check::save))
        .route("/fleet/engines/{engine}/spare", get(spare::show).post(spare::save))
        .route("/tag/{tag}", get(tag::show))
        .route("/holds/{hold}/clear", post(finding::clear_hold))
        .layer(from_fn_with_state(state.clone(), drop_notice))
        .layer(from_fn(guard))
        .route("/look/{file}", get(look_file))
        .route("/feeds/{file}", get(feed::show))
        .fallback(|| async { Failure::NotFound })
        .layer(DefaultBodyLimit::max(FORM_BYTES_MAX))
        .with_state(state)
}

async fn look_file(Path(file): Path<String>) -> Response {
    let path = format!("/look/{file}");
    match [look::STYLESHEET, look::SCRIPT].into_iter().find(|look| look.path == path) {
        Some(look) => {
            let headers = [
                (CONTENT_TYPE, look.kind),
                (CACHE_CONTROL, "public, max-age=31536000, immutable"),
                (X_CONTENT_TYPE_OPTIONS, "nosniff"),
            ];
            (headers, look.body).into_response()
        }
        None => StatusCode::NOT_FOUND.into_response(),
    }
}

/// A notice is shown once: whatever page could show it takes its cookie away.
async fn drop_notice(State(state): State<PagesState>, request: Request, next: Next) -> Response {
    let had_notice = Cookie::Notice.read(request.headers(), state.cookies).is_some();
    let mut response = next.run(request).await;
    let shown = response.headers().contains_key(CONTENT_TYPE);
    if had_notice && shown {
        let cleared = Cookie::Notice.clear(state.cookies);
        if let Ok(cleared) = HeaderValue::from_str(&cleared) {
            response.headers_mut().append(SET_COOKIE, cleared);
        }
    }
    response
}

/// Nothing of others is loaded, nobody frames us, and no page is kept where the next user of a
/// shared machine could find it.
async fn guard(request: Request, next: Next) -> Response {
    const RULES: [(HeaderName, &str); 5] = [
        (
            CONTENT_SECURITY_POLICY,
            "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; \
             connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
        ),
        (X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (X_FRAME_OPTIONS, "DENY"),
        (REFERRER_POLICY, "same-origin"),
        (CACHE_CONTROL, "no-store"),
    ];
    let mut response = next.run(request).await;
    for (name, value) in RULES {
        response.headers_mut().insert(name, HeaderValue::from_static(value));
    }
    response
}
