//! What has rules beyond its fields: one file a resource, each route in one of the two lists here.

mod due;
mod feed;
mod finding;
mod fitting;
mod forecast;
mod hire_check;
mod hire_log;
mod history;
mod hold;
mod job;
mod life;
mod load;
mod meter_swap;
mod order;
mod order_advice;
mod order_goods;
mod part_search;
mod plan;
mod reading;
mod readings_in_bulk;
mod run;
mod run_page;
mod service;
mod stock;
mod stock_move;
mod token;

use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::state::ApiState;

/// A small body in, an answer at once.
pub fn quick() -> OpenApiRouter<ApiState> {
    OpenApiRouter::new()
        .routes(routes!(reading::record_reading, reading::list_readings_of_engine))
        .routes(routes!(meter_swap::record_meter_swap))
        .routes(routes!(meter_swap::correct_meter_swap))
        .routes(routes!(fitting::record_fitting))
        .routes(routes!(fitting::exchange_engines))
        .routes(routes!(fitting::end_fitting))
        .routes(routes!(fitting::list_fittings_of_engine))
        .routes(routes!(fitting::list_fittings_of_boat))
        .routes(routes!(hire_log::record_hire))
        .routes(routes!(hire_log::list_hire_of_boat))
        .routes(routes!(hire_log::list_hire_of_engine))
        .routes(routes!(hire_check::record_hire_check))
        .routes(routes!(hire_check::list_hire_checks_of_boat))
        .routes(routes!(hire_check::list_hire_checks_of_engine))
        .routes(routes!(finding::record_finding))
        .routes(routes!(finding::close_finding))
        .routes(routes!(hold::place_hold))
        .routes(routes!(hold::clear_hold))
        .routes(routes!(service::record_service))
        .routes(routes!(job::propose_job))
        .routes(routes!(job::search_jobs))
        .routes(routes!(job::get_job_card))
        .routes(routes!(job::move_job))
        .routes(routes!(job::plan_job))
        .routes(routes!(job::ask_for_part))
        .routes(routes!(job::record_task_outcome))
        .routes(routes!(job::record_part_used))
        .routes(routes!(job::take_off_job_part))
        .routes(routes!(stock_move::move_stock))
        .routes(routes!(stock::list_stock))
        .routes(routes!(run::list_runs, run::request_run))
        .routes(routes!(run::get_run))
        .routes(routes!(run::get_run_file))
        .routes(routes!(plan::stop_run))
        .routes(routes!(plan::get_plan_standing))
        .routes(routes!(plan::draft_plan))
        .routes(routes!(plan::publish_plan))
        .routes(routes!(plan::compare_plans))
        .routes(routes!(plan::get_visit_moves))
        .routes(routes!(plan::move_visit))
        .routes(routes!(plan::lock_visit))
        .routes(routes!(due::list_due))
        .routes(routes!(life::list_lives))
        .routes(routes!(life::list_engine_outlooks))
        .routes(routes!(life::get_lives_of_part))
        .routes(routes!(life::accept_life_proposal))
        .routes(routes!(forecast::get_forecast_of_part))
        .routes(routes!(order_advice::list_order_advice))
        .routes(routes!(order::draft_orders_of_advice))
        .routes(routes!(order::draft_order))
        .routes(routes!(order::list_lines_of_order, order::add_order_line))
        .routes(routes!(order::change_order_line, order::remove_order_line))
        .routes(routes!(order::approve_order))
        .routes(routes!(order::reopen_order))
        .routes(routes!(order::send_order))
        .routes(routes!(order_goods::get_order_sheet))
        .routes(routes!(order_goods::receive_goods))
        .routes(routes!(order_goods::back_order_line))
        .routes(routes!(order_goods::cancel_rest_of_line))
        .routes(routes!(order_goods::give_back_goods))
        .routes(routes!(order_goods::book_invoice))
        .routes(routes!(order_goods::close_order))
        .routes(routes!(order_goods::cancel_order))
        .routes(routes!(part_search::search_parts))
        .routes(routes!(history::list_history))
        .routes(routes!(token::list_tokens, token::create_token))
        .routes(routes!(token::revoke_token))
        .routes(routes!(feed::list_feeds, feed::create_feed))
        .routes(routes!(feed::revoke_feed))
        .routes(routes!(load::list_load_kinds))
        .routes(routes!(load::get_load_template))
}

/// Files in.
pub fn uploads() -> OpenApiRouter<ApiState> {
    OpenApiRouter::new()
        .routes(routes!(readings_in_bulk::record_readings))
        .routes(routes!(load::load_file))
}
