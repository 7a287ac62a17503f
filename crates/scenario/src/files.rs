//! The scenario as the files that a yard would load: CSV, one kind each.

use std::fmt::Write as _;

use chrono::{Datelike, Days, NaiveDate};

use crate::catalogue::{
    GEAR_OIL, HOME, KITS, MODELS, Model, PEOPLE, PIER, POOLS, Part, SUPPLIERS, TASKS, Task,
};
use crate::history::{History, Shown, Why};
use crate::season::{hire_days, share_of_season};
use crate::supply::{Supply, stocked};

/// A file: its kind and its text. Each stands after those that its rows name.
pub struct LoadFile {
    pub kind: &'static str,
    pub csv: String,
}

/// Rows of one file.
struct Sheet {
    kind: &'static str,
    csv: String,
}

const SOURCE: &str = "invented for the demo";

impl Sheet {
    fn new(kind: &'static str, columns: &str) -> Self {
        Self { kind, csv: format!("{columns}\n") }
    }

    fn row(&mut self, cells: &[&str]) {
        let cells: Vec<String> = cells
            .iter()
            .map(|cell| {
                if cell.contains([',', '"', '\n']) {
                    format!("\"{}\"", cell.replace('"', "\"\""))
                } else {
                    (*cell).to_owned()
                }
            })
            .collect();
        // Writing to a String does not fail.
        let _ = writeln!(self.csv, "{}", cells.join(","));
    }
}

/// All files of the scenario, in the order in which they load.
pub fn write(history: &History, supply: &Supply) -> Vec<LoadFile> {
    let sheets = [
        calendars(),
        calendar_days(history.until),
        sites(history.until),
        site_prices(),
        bays(),
        people(),
        absences(history.until),
        pools(),
        pool_minimums(history.until),
        boats(history),
        models(),
        torques(),
        test_figures(),
        engines(history),
        fittings(history),
        standstills(history),
        readings(history),
        bookings(history.until),
        hire(history),
        parts(),
        kits(),
        supersessions(history.until),
        tasks(),
        programme(),
        task_parts(),
        finding_kinds(),
        services(history),
        findings(history),
        suppliers(),
        supplier_seasons(history.until),
        terms(history.from),
        orders(supply),
        receipts(supply),
        stock(supply, history.until),
    ];
    sheets.into_iter().map(|sheet| LoadFile { kind: sheet.kind, csv: sheet.csv }).collect()
}

fn calendars() -> Sheet {
    let mut sheet = Sheet::new(
        "calendars",
        "calendar,monday,tuesday,wednesday,thursday,friday,saturday,sunday",
    );
    sheet.row(&["Bench", "8", "8", "8", "8", "7", "0", "0"]);
    sheet
}

fn calendar_days(until: NaiveDate) -> Sheet {
    let mut sheet = Sheet::new("calendar-days", "calendar,on,worked,reason");
    for year in until.year()..=until.year() + 1 {
        for (month, day, reason) in
            [(1, 1, "New Year"), (5, 1, "May Day"), (12, 25, "Christmas"), (12, 26, "Christmas")]
        {
            sheet.row(&["Bench", &format!("{year}-{month:02}-{day:02}"), "0", reason]);
        }
    }
    sheet
}

/// The first and last hire of the season that is on or comes next.
fn hire_season(until: NaiveDate) -> (NaiveDate, NaiveDate) {
    let year = until.year() + i32::from(until.month() >= 10);
    hire_days(year).unwrap_or((until, until))
}

fn sites(until: NaiveDate) -> Sheet {
    let mut sheet = Sheet::new(
        "sites",
        "site,time_zone,calendar,first_hire_on,last_hire_on,finish_days_before_hire",
    );
    let (first, last) = hire_season(until);
    for site in [HOME, PIER] {
        sheet.row(&[site, "Europe/Oslo", "Bench", &first.to_string(), &last.to_string(), "14"]);
    }
    sheet
}

/// What a site's time and boats are worth. A boat short is worth what its hire would have brought on a
/// day, the dearest pool's of the site.
fn site_prices() -> Sheet {
    let mut sheet = Sheet::new("site-prices", "site,kind,amount,currency,basis");
    for site in [HOME, PIER] {
        let pools = POOLS.iter().filter(|pool| pool.site == site);
        let hire = pools.map(|pool| pool.hire_price_minor).max().unwrap_or_default();
        for (kind, minor, basis) in [
            ("day_late", 400, "estimate of the yard"),
            ("failure", 2 * hire + 4_500, "two hires given back and a tow"),
            ("boat_short", hire, "a day's hire, price list"),
            ("visit_left_out", 60_000, "an engine that misses the opening of the season"),
            ("overtime_hour", 5_400, "wages with overtime"),
            ("bench_hour", 3_600, "wages"),
            ("new_engine", if site == HOME { 118_000 } else { 214_000 }, "last spring's offer"),
        ] {
            let basis = format!("{basis}; {SOURCE}");
            sheet.row(&[site, kind, &decimal(minor), "EUR", &basis]);
        }
    }
    sheet
}

fn bays() -> Sheet {
    let mut sheet = Sheet::new("bays", "site,bay,used_as");
    sheet.row(&[HOME, "Bench 1", "bench"]);
    sheet.row(&[HOME, "Bench 2", "bench"]);
    sheet.row(&[HOME, "Test tank", "tank"]);
    sheet.row(&[PIER, "Pier bench", "bench"]);
    sheet
}

fn people() -> Sheet {
    let mut sheet =
        Sheet::new("people", "person,email,role,may_clear_holds,site,bench_share,skills");
    for (name, role, skills) in PEOPLE {
        let email = format!("{}@hollinquay.example", name.to_lowercase().replace(' ', "."));
        let clears = if name == "Jory Penhale" || role == "owner" { "true" } else { "false" };
        let site = if name == "Mair Lund" { PIER } else { HOME };
        sheet.row(&[name, &email, role, clears, site, "0.75", skills]);
    }
    sheet
}

fn absences(until: NaiveDate) -> Sheet {
    let mut sheet = Sheet::new("absences", "person,from_on,until_on,reason");
    let year = until.year() + i32::from(until.month() >= 10);
    sheet.row(&["Mair Lund", &format!("{year}-02-08"), &format!("{year}-02-19"), "holiday"]);
    sheet
}

fn pools() -> Sheet {
    let mut sheet = Sheet::new("pools", "site,pool,water,used_for,severity,running_factor");
    for pool in &POOLS {
        let (water, used_for) = match pool.name {
            "Anglers" => ("brackish", "angling"),
            "Guard boats" => ("salt", "safety cover"),
            "Tenders" => ("salt", "marina tenders"),
            _ => ("salt", "day hire"),
        };
        // The running factor is left out: it is to be learned from the metered engines.
        sheet.row(&[pool.site, pool.name, water, used_for, "1", ""]);
    }
    sheet
}

/// What each pool should keep afloat in July and August of the season that is on or comes next.
fn pool_minimums(until: NaiveDate) -> Sheet {
    let mut sheet = Sheet::new("pool-minimums", "pool,from_on,until_on,boats");
    let (first, _) = hire_season(until);
    let (from, to) = (format!("{}-07-01", first.year()), format!("{}-08-31", first.year()));
    for pool in &POOLS {
        let boats = (pool.boats as f64 * pool.minimum_share).floor();
        sheet.row(&[pool.name, &from, &to, &boats.to_string()]);
    }
    sheet
}

fn boats(history: &History) -> Sheet {
    let mut sheet = Sheet::new("boats", "site,boat,pool,tag,jetty,jetty_order");
    for boat in &history.boats {
        let pool = &POOLS[boat.pool];
        let jetty = ["East jetty", "Marina steps", "Pier north", "Pier south"][boat.pool];
        let tag = format!("B{}{:02}", boat.pool + 1, boat.place + 1);
        let order = (boat.place + 1).to_string();
        sheet.row(&[pool.site, &boat.name, pool.name, &tag, jetty, &order]);
    }
    sheet
}

fn models() -> Sheet {
    let mut sheet = Sheet::new(
        "models",
        "maker,model,strokes,power_kw,premix_ratio,engine_oil_grade,engine_oil_ml,fuel_system,\
         gear_oil_grade,gear_oil_ml,manual_edition,source",
    );
    for model in &MODELS {
        let premix = model.premix.map(|ratio| ratio.to_string()).unwrap_or_default();
        let oil_ml = if model.engine_oil.is_some() { "800" } else { "" };
        sheet.row(&[
            model.maker,
            model.name,
            &model.strokes.to_string(),
            &model.power_kw.to_string(),
            &premix,
            model.engine_oil.unwrap_or_default(),
            oil_ml,
            "carburettor",
            "GL-5 90",
            &model.gear_oil_ml.to_string(),
            "2nd printing",
            SOURCE,
        ]);
    }
    sheet
}

fn torques() -> Sheet {
    let mut sheet = Sheet::new("torques", "maker,model,fastener,low_nm,high_nm,source");
    for model in &MODELS {
        for (fastener, low, high) in [
            ("gearcase to leg bolts", "8", "10"),
            ("bearing carrier bolts", "7", "9"),
            ("drain and level plugs", "6", "7"),
            ("propeller nut", "14", "17"),
        ] {
            sheet.row(&[model.maker, model.name, fastener, low, high, SOURCE]);
        }
    }
    sheet
}

fn test_figures() -> Sheet {
    let mut sheet = Sheet::new(
        "test-figures",
        "maker,model,test,target_kpa,ceiling_kpa,hold_s,drop_max_kpa,shafts_turned,source",
    );
    for model in &MODELS {
        sheet.row(&[
            model.maker,
            model.name,
            "gearcase_pressure",
            &model.test_kpa.to_string(),
            &model.test_ceiling_kpa.to_string(),
            &model.hold_s.to_string(),
            "0",
            "true",
            SOURCE,
        ]);
    }
    sheet
}

fn engines(history: &History) -> Sheet {
    let mut sheet =
        Sheet::new("engines", "serial,maker,model,pool,bought_on,first_run_on,status,meter");
    for engine in &history.engines {
        let pool = &POOLS[engine.pool];
        let model = &MODELS[pool.model];
        let day = engine.in_service.to_string();
        let first = if engine.known_from_new { day.as_str() } else { "" };
        let meter = if engine.metered { "hour_meter" } else { "no_meter" };
        sheet.row(&[
            &engine.serial,
            model.maker,
            model.name,
            pool.name,
            &day,
            first,
            "in_service",
            meter,
        ]);
    }
    sheet
}

fn fittings(history: &History) -> Sheet {
    let mut sheet = Sheet::new("fittings", "serial,boat,fitted_at,removed_at");
    for fitting in &history.fittings {
        sheet.row(&[
            &history.engines[fitting.engine].serial,
            &history.boats[fitting.boat].name,
            &fitting.from.to_string(),
            &fitting.until.map(|until| until.to_string()).unwrap_or_default(),
        ]);
    }
    sheet
}

/// One engine is lent out over the winter that is on or was last, and does not run there.
fn standstills(history: &History) -> Sheet {
    let mut sheet = Sheet::new("standstills", "serial,from_on,until_on,reason");
    let (first, _) = hire_season(history.until);
    let (from, to) = (format!("{}-11-02", first.year() - 1), format!("{}-02-20", first.year()));
    if let Some(engine) = history.engines.last() {
        sheet.row(&[&engine.serial, &from, &to, "lent to the sea school as a show engine"]);
    }
    sheet
}

fn readings(history: &History) -> Sheet {
    let mut sheet = Sheet::new("readings", "serial,read_at,hours,kind,hours_before,source");
    for reading in &history.readings {
        let (hours, kind, before) = match reading.shown {
            Shown::Reading(hours) => (hours, "reading", String::new()),
            Shown::Estimate(hours) => (hours, "estimate", String::new()),
            Shown::Replaced { old_last, new_first } => {
                (new_first, "meter_replaced", format!("{old_last:.1}"))
            }
        };
        sheet.row(&[
            &history.engines[reading.engine].serial,
            &format!("{} 19:00", reading.day),
            &format!("{hours:.1}"),
            kind,
            &before,
            "Sunday list",
        ]);
    }
    sheet
}

/// Days ahead on which one pool is wanted whole.
const REGATTA_DAY: usize = 5;

/// Groups that have booked for the weeks to come, where the season is on.
fn bookings(until: NaiveDate) -> Sheet {
    let mut sheet = Sheet::new("bookings", "reference,pool,starts_at,ends_at,boats");
    let (first, last) = hire_season(until);
    let from = first.max(until);
    let days = from.iter_days().take_while(|day| *day <= last).take(120);
    for (number, day) in days.enumerate() {
        for (at, pool) in POOLS.iter().enumerate() {
            let share = share_of_season(day) * 30.4 * 4.0;
            let boats = (pool.boats as f64 * pool.minimum_share * share).round() as u32;
            // A regatta within the week wants every boat of the largest pool.
            let regatta = number == REGATTA_DAY && at == 0;
            let boats = if regatta { pool.boats as u32 } else { boats };
            if boats == 0 || ((number + at) % 2 == 1 && !regatta) {
                continue;
            }
            sheet.row(&[
                &format!("{}-{}", day.format("%y%m%d"), at + 1),
                pool.name,
                &format!("{day} 09:00"),
                &format!("{day} 17:00"),
                &boats.to_string(),
            ]);
        }
    }
    sheet
}

fn hire(history: &History) -> Sheet {
    let mut sheet = Sheet::new("hire", "boat,out_at,back_at,source");
    for hire in &history.hires {
        let minutes = (hire.hours * 60.0).round() as u32;
        let back = 8 * 60 + minutes;
        sheet.row(&[
            &history.boats[hire.boat].name,
            &format!("{} 08:00", hire.day),
            &format!("{} {:02}:{:02}", hire.day, back / 60, back % 60),
            "till",
        ]);
    }
    sheet
}

fn parts() -> Sheet {
    let mut sheet = Sheet::new(
        "parts",
        "part,name,maker,kind,unit,compound,shelf_life_months,shelf_life_source,sealing,\
         boat_days_lost,family",
    );
    for stocked in stocked() {
        let part = stocked.part;
        let kit = KITS.iter().any(|(number, _)| *number == part.number);
        let kind = if part.unit == "ml" {
            "fluid"
        } else if kit {
            "kit"
        } else {
            "part"
        };
        let (life, source) = match part.compound {
            Some("CR" | "NBR") => ("84", "ISO 2230, group B: 7 years"),
            _ if part.unit == "ml" => ("60", "common practice, no source"),
            _ => ("", ""),
        };
        let sealing = seals(part);
        let lost = match part.number {
            "{}-SK" => "6",
            "{}-PK" => "4",
            "{}-SH" => "10",
            "{}-PR" => "3",
            _ => "1",
        };
        sheet.row(&[
            &stocked.number,
            &stocked.name,
            stocked.model.map_or("", |model| MODELS[model].maker),
            kind,
            if part.unit == "ml" { "millilitre" } else { "each" },
            part.compound.unwrap_or_default(),
            life,
            source,
            if sealing { "true" } else { "false" },
            lost,
            part.name,
        ]);
    }
    sheet
}

fn kits() -> Sheet {
    let mut sheet = Sheet::new("kits", "kit,part,quantity");
    for model in &MODELS {
        for (kit, contents) in KITS {
            for (part, quantity) in contents {
                sheet.row(&[
                    &kit.replace("{}", model.parts),
                    &part.replace("{}", model.parts),
                    &quantity.to_string(),
                ]);
            }
        }
    }
    sheet
}

fn supersessions(until: NaiveDate) -> Sheet {
    let mut sheet = Sheet::new(
        "supersessions",
        "old_part,new_part,two_way,new_quantity,old_quantity,use_up_old,effective_on,source",
    );
    let day = format!("{}-01-15", until.year() - 1);
    sheet.row(&["Q4-WP", "Q6-WP", "true", "1", "1", "true", &day, SOURCE]);
    sheet
}

fn access(task: &Task) -> &'static str {
    match task.access {
        "propeller off" => "propeller_off",
        "gearcase off" => "gearcase_off",
        "carrier out" => "carrier_out",
        "cowl off" => "cowl_off",
        _ => "nothing_off",
    }
}

fn caution(task: &Task) -> &'static str {
    match task.code {
        "gearcase-test" | "reseal" => {
            "Hand pump and relief valve only, never a compressed-air line; stand aside; vent before \
             disconnecting; springs and circlips fly: eye protection. The engine maker's manual and \
             local rules come first."
        }
        "gear-oil" | "gear-oil-look" | "engine-oil" => {
            "Hot oil burns; catch all of it, waste oil goes to the marked drum, milky oil apart. \
             Stop cord off, plug leads isolated. The engine maker's manual and local rules come first."
        }
        "prop-shaft" => {
            "Stop cord off and plug leads isolated before a hand is near the propeller. The engine \
             maker's manual comes first."
        }
        "pump-kit" | "pump-look" => {
            "Support the gearcase before the last bolt; two people or a hoist above 25 kg; never \
             under a leg that is only tilted. The engine maker's manual comes first."
        }
        _ => {
            "Stop cord off, plug leads isolated, engine cold. The engine maker's manual comes first."
        }
    }
}

fn tasks() -> Sheet {
    let mut sheet = Sheet::new(
        "tasks",
        "task,verb,access,occasion,minutes,minutes_source,skill,safety,caution,contains,resets",
    );
    let name_of =
        |code: &str| TASKS.iter().find(|task| task.code == code).map_or("", |task| task.name);
    // A task stands after those that it settles, so that their names are known.
    let mut order: Vec<&Task> = TASKS.iter().collect();
    order.sort_by_key(|task| task.settles.len());
    for task in order {
        let settles: Vec<&str> = task.settles.iter().map(|code| name_of(code)).collect();
        let settles = settles.join(";");
        let (contains, resets) =
            if task.settles.len() > 1 { (settles.as_str(), "") } else { ("", settles.as_str()) };
        sheet.row(&[
            task.name,
            task.verb,
            access(task),
            "interval",
            &task.minutes.to_string(),
            "common practice, no source",
            "outboards",
            if task.code == "gearcase-test" { "true" } else { "false" },
            caution(task),
            contains,
            resets,
        ]);
    }
    // No interval asks for it, so it is no task of the programme.
    sheet.row(&[
        SHIFT_LOOK,
        "check",
        "nothing_off",
        "on_finding",
        "45",
        "common practice, no source",
        "outboards",
        "true",
        "Engine off, stop cord out and plug leads isolated while anyone turns the propeller by hand \
         to feel the dogs engage. Adjust the linkage first; what stays worn means stripping the \
         gearcase. The engine maker's manual and local rules come first.",
        "",
        "",
    ]);
    sheet
}

/// What an engine that pops out of gear asks for: the linkage is the common cause and the cheap one,
/// worn clutch dogs the other (common practice, no source).
const SHIFT_LOOK: &str = "Look at the shift linkage and clutch dogs, adjust";

fn parts_of(task: &Task, model: &Model) -> Vec<(String, u32)> {
    let parts = task.parts.iter().map(|(number, quantity)| {
        let quantity = if *number == GEAR_OIL { model.gear_oil_ml * 12 / 10 } else { *quantity };
        (number.replace("{}", model.parts), quantity)
    });
    parts.collect()
}

fn programme() -> Sheet {
    let mut sheet = Sheet::new(
        "programme",
        "task,maker,model,hours,months,first_hours,first_months,basis,source,page,parts",
    );
    let text = |figure: Option<u32>| figure.map(|figure| figure.to_string()).unwrap_or_default();
    for (at, model) in MODELS.iter().enumerate() {
        for task in TASKS.iter().filter(|task| model.strokes == 4 || !task.four_strokes_only) {
            let parts: Vec<String> = parts_of(task, model)
                .iter()
                .map(|(number, quantity)| format!("{number}:{quantity}"))
                .collect();
            let manual = format!("{} {} owner's book, invented", model.maker, model.name);
            let (basis, source, page) = match task.code {
                "reseal" => ("site", "yard's decision", ""),
                "anodes" => ("default", "common practice, no source", ""),
                _ => ("maker", manual.as_str(), ["31", "33", "40", "28"][at]),
            };
            sheet.row(&[
                task.name,
                model.maker,
                model.name,
                &text(task.hours),
                &text(task.months),
                &text(task.first_hours),
                &text(task.first_months),
                basis,
                source,
                page,
                &parts.join(";"),
            ]);
        }
    }
    sheet
}

/// What a task needs now and then, beside what it always takes.
fn task_parts() -> Sheet {
    let mut sheet = Sheet::new("task-parts", "task,maker,model,part,quantity,chance");
    for model in &MODELS {
        for (code, part, chance) in [
            ("anodes", "{}-AN", "0.35"),
            ("pump-kit", "{}-TH", "0.12"),
            ("reseal", "{}-SH", "0.09"),
            ("prop-shaft", "{}-PR", "0.03"),
        ] {
            let Some(task) = TASKS.iter().find(|task| task.code == code) else { continue };
            let part = part.replace("{}", model.parts);
            sheet.row(&[task.name, model.maker, model.name, &part, "1", chance]);
        }
    }
    sheet
}

fn finding_kinds() -> Sheet {
    let mut sheet = Sheet::new("finding-kinds", "finding,likely_cause,urgency,safety,task,source");
    for (finding, cause, urgency, safety, code) in [
        ("milky gear oil", "shaft seal, O-ring or plug gasket", "stop", "true", "reseal"),
        ("pressure does not hold", "seal, O-ring, gasket or casting", "stop", "true", "reseal"),
        ("weak tell-tale", "intake, impeller, thermostat", "stop", "false", "pump-kit"),
        ("line on the propeller shaft", "angling water", "three_days", "false", "gearcase-test"),
        ("pops out of gear", "clutch dogs or linkage", "stop", "true", SHIFT_LOOK),
        ("stop cord does not stop the engine", "switch or cord", "stop", "true", ""),
    ] {
        // What no task of the programme puts right holds the engine until a person says so.
        let known = TASKS.iter().find(|task| task.code == code).map(|task| task.name);
        let task = known.unwrap_or(if code == SHIFT_LOOK { SHIFT_LOOK } else { "" });
        let source = "common practice, no source";
        sheet.row(&[finding, cause, urgency, safety, task, source]);
    }
    sheet
}

fn services(history: &History) -> Sheet {
    let mut sheet =
        Sheet::new("services", "serial,task,done_on,hours,reason,done_by,minutes,parts,source");
    for service in &history.services {
        let Some(task) = TASKS.iter().find(|task| task.code == service.task) else { continue };
        let parts: Vec<String> =
            service.parts.iter().map(|(number, count)| format!("{number}:{count}")).collect();
        let reason = match service.reason {
            Why::Due => "due",
            Why::LayUp => "lay_up",
            Why::Finding => "finding",
        };
        let known = history.engines[service.engine].metered;
        sheet.row(&[
            &history.engines[service.engine].serial,
            task.name,
            &service.day.to_string(),
            &service.life.filter(|_| known).map(|life| format!("{life:.1}")).unwrap_or_default(),
            reason,
            PEOPLE[service.person].0,
            &service.minutes.to_string(),
            &parts.join(";"),
            "bench book",
        ]);
    }
    sheet
}

fn findings(history: &History) -> Sheet {
    let mut sheet =
        Sheet::new("findings", "serial,found_at,finding,found_by,note,closed_at,closing_note");
    for finding in &history.findings {
        let cleared = finding.cleared.map(|day| day.to_string()).unwrap_or_default();
        let closing = if finding.cleared.is_some() { "put right and tested" } else { "" };
        sheet.row(&[
            &history.engines[finding.engine].serial,
            &finding.day.to_string(),
            finding.what,
            PEOPLE[finding.person].0,
            finding.note,
            &cleared,
            closing,
        ]);
    }
    sheet
}

fn decimal(minor: i64) -> String {
    format!("{}.{:02}", minor / 100, minor % 100)
}

fn suppliers() -> Sheet {
    let mut sheet =
        Sheet::new("suppliers", "supplier,currency,order_minimum,freight,order_cost,review_days");
    for (name, minimum, freight) in SUPPLIERS {
        sheet.row(&[name, "EUR", &decimal(minimum), &decimal(freight), "12", "14"]);
    }
    sheet
}

fn supplier_seasons(until: NaiveDate) -> Sheet {
    let mut sheet = Sheet::new(
        "supplier-seasons",
        "supplier,opens_on,closes_on,ships_on,discount_percent,minimum,currency",
    );
    let year = until.year() - i32::from(until.month() < 3);
    sheet.row(&[
        SUPPLIERS[0].0,
        &format!("{year}-11-01"),
        &format!("{year}-12-10"),
        &format!("{}-02-01", year + 1),
        "8",
        "500",
        "EUR",
    ]);
    sheet
}

fn terms(from: NaiveDate) -> Sheet {
    let mut sheet = Sheet::new(
        "terms",
        "part,supplier,lead_days,lead_days_worst,pack,minimum,price,currency,price_units,policy,\
         target,valid_from",
    );
    for stocked in stocked() {
        let part = stocked.part;
        let units = if part.unit == "ml" { "1000" } else { "1" };
        sheet.row(&[
            &stocked.number,
            SUPPLIERS[part.supplier].0,
            &part.lead_days.to_string(),
            &part.lead_days_worst.to_string(),
            &part.pack.to_string(),
            &part.pack.to_string(),
            &decimal(part.price_minor),
            "EUR",
            units,
            "fill_rate",
            "0.95",
            &from.to_string(),
        ]);
    }
    sheet
}

fn orders(supply: &Supply) -> Sheet {
    let mut sheet = Sheet::new(
        "orders",
        "order,supplier,site,part,quantity,price,currency,price_units,ordered_on,expected_on,status",
    );
    for line in &supply.bought {
        let stocked = &supply.parts[line.part];
        let units = if stocked.part.unit == "ml" { "1000" } else { "1" };
        let whole = supply
            .bought
            .iter()
            .filter(|other| other.order == line.order)
            .all(|other| other.received_on.is_some());
        let some = supply
            .bought
            .iter()
            .any(|other| other.order == line.order && other.received_on.is_some());
        sheet.row(&[
            &line.order,
            SUPPLIERS[stocked.part.supplier].0,
            HOME,
            &stocked.number,
            &line.quantity.to_string(),
            &decimal(stocked.part.price_minor),
            "EUR",
            units,
            &line.ordered_on.to_string(),
            &line.expected_on.to_string(),
            if whole {
                "received"
            } else if some {
                "part_received"
            } else {
                "sent"
            },
        ]);
    }
    sheet
}

fn receipts(supply: &Supply) -> Sheet {
    let mut sheet = Sheet::new("receipts", "order,part,received_on,quantity,delivery_note");
    for line in &supply.bought {
        let Some(day) = line.received_on else { continue };
        sheet.row(&[
            &line.order,
            &supply.parts[line.part].number,
            &day.to_string(),
            &line.quantity.to_string(),
            &format!("{}/{}", line.order, day.format("%j")),
        ]);
    }
    sheet
}

fn seals(part: &Part) -> bool {
    part.compound == Some("NBR") || part.number.ends_with("-PG")
}

fn stock(supply: &Supply, until: NaiveDate) -> Sheet {
    let mut sheet =
        Sheet::new("stock", "site,part,quantity,counted_on,lot,cured_on,received_on,reason");
    for (at, stocked) in supply.parts.iter().enumerate() {
        let quantity = supply.on_hand[at];
        if quantity == 0 {
            continue;
        }
        let last = supply
            .bought
            .iter()
            .rev()
            .find(|line| line.part == at && line.received_on.is_some())
            .and_then(|line| line.received_on);
        // A seal of unknown age goes into no job.
        let dated = stocked.part.compound.is_some() || seals(stocked.part);
        let received = last.unwrap_or(until).to_string();
        let quarter = last.and_then(|day| day.checked_sub_days(Days::new(400)));
        let cured = quarter.map(end_of_quarter).map(|day| day.to_string()).unwrap_or_default();
        let lot = format!("L{}-{at:03}", received.replace('-', ""));
        sheet.row(&[
            HOME,
            &stocked.number,
            &quantity.to_string(),
            &until.to_string(),
            if dated { &lot } else { "" },
            if dated { &cured } else { "" },
            if dated { &received } else { "" },
            "autumn count",
        ]);
    }
    sheet
}

fn end_of_quarter(day: NaiveDate) -> NaiveDate {
    let month = day.month0() / 3 * 3 + 4;
    let (year, month) = if month > 12 { (day.year() + 1, 1) } else { (day.year(), month) };
    NaiveDate::from_ymd_opt(year, month, 1).and_then(|day| day.pred_opt()).unwrap_or(day)
}
