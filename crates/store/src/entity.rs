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
    "lots",
    "stock_moves",
    "stock_levels",
    "reservations",
];
