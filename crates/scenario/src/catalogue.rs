//! What the invented fleet is made of: models, tasks, parts, suppliers.
//!
//! Every maker, supplier, place and person is made up. Quantities, times and intervals are of the
//! size that is common practice (no source); they are examples, not advice for a real engine.

/// An engine model of an invented maker.
pub struct Model {
    pub maker: &'static str,
    pub name: &'static str,
    pub power_kw: f64,
    pub strokes: u8,
    pub engine_oil: Option<&'static str>,
    pub premix: Option<u32>,
    pub gear_oil_ml: u32,
    pub test_kpa: u32,
    pub test_ceiling_kpa: u32,
    pub hold_s: u32,
    /// Prefix of the model's own part numbers.
    pub parts: &'static str,
}

pub const MODELS: [Model; 4] = [
    Model {
        maker: "Quillon",
        name: "Q4",
        power_kw: 2.9,
        strokes: 4,
        engine_oil: Some("SAE 10W-30"),
        premix: None,
        gear_oil_ml: 110,
        test_kpa: 70,
        test_ceiling_kpa: 100,
        hold_s: 300,
        parts: "Q4",
    },
    Model {
        maker: "Quillon",
        name: "Q6",
        power_kw: 4.4,
        strokes: 4,
        engine_oil: Some("SAE 10W-30"),
        premix: None,
        gear_oil_ml: 190,
        test_kpa: 70,
        test_ceiling_kpa: 100,
        hold_s: 300,
        parts: "Q6",
    },
    Model {
        maker: "Marrowby",
        name: "Ten",
        power_kw: 7.3,
        strokes: 2,
        engine_oil: None,
        premix: Some(50),
        gear_oil_ml: 280,
        test_kpa: 48,
        test_ceiling_kpa: 50,
        hold_s: 10,
        parts: "MT",
    },
    Model {
        maker: "Ostrel",
        name: "Fifteen",
        power_kw: 11.0,
        strokes: 4,
        engine_oil: Some("SAE 10W-40"),
        premix: None,
        gear_oil_ml: 370,
        test_kpa: 69,
        test_ceiling_kpa: 100,
        hold_s: 300,
        parts: "OF",
    },
];

/// A pool: engines that can stand in for one another on hire.
pub struct Pool {
    pub name: &'static str,
    pub site: &'static str,
    pub model: usize,
    pub boats: usize,
    pub spares: usize,
    /// Running hours of an engine of middling use in a middling season.
    pub season_hours: f64,
    /// Running hours per hire hour.
    pub running_factor: f64,
    /// Hours of a usual hire.
    pub hire_hours: f64,
    pub boat_names: &'static [&'static str],
    pub minimum_share: f64,
    pub hire_price_minor: i64,
}

pub const HOME: &str = "Hollin Quay";
pub const PIER: &str = "Saltersgate Pier";

pub const POOLS: [Pool; 4] = [
    Pool {
        name: "Skiffs",
        site: HOME,
        model: 0,
        boats: 26,
        spares: 2,
        season_hours: 190.0,
        running_factor: 0.62,
        hire_hours: 3.0,
        boat_names: &["Wherry", "Sandpiper"],
        minimum_share: 0.8,
        hire_price_minor: 9_500,
    },
    Pool {
        name: "Tenders",
        site: HOME,
        model: 1,
        boats: 16,
        spares: 2,
        season_hours: 260.0,
        running_factor: 0.42,
        hire_hours: 5.0,
        boat_names: &["Tern"],
        minimum_share: 0.75,
        hire_price_minor: 12_000,
    },
    Pool {
        name: "Anglers",
        site: PIER,
        model: 2,
        boats: 15,
        spares: 1,
        season_hours: 120.0,
        running_factor: 0.21,
        hire_hours: 6.5,
        boat_names: &["Pintle"],
        minimum_share: 0.75,
        hire_price_minor: 11_000,
    },
    Pool {
        name: "Guard boats",
        site: PIER,
        model: 3,
        boats: 6,
        spares: 1,
        season_hours: 230.0,
        running_factor: 0.5,
        hire_hours: 7.0,
        boat_names: &["Beacon"],
        minimum_share: 0.85,
        hire_price_minor: 18_000,
    },
];

/// A task of the programme, the same for all models; `{}` in a part number is the model's prefix.
pub struct Task {
    pub code: &'static str,
    pub name: &'static str,
    pub verb: &'static str,
    pub access: &'static str,
    pub minutes: u32,
    pub hours: Option<u32>,
    pub months: Option<u32>,
    pub first_hours: Option<u32>,
    pub first_months: Option<u32>,
    /// Codes of the tasks that doing this one settles too.
    pub settles: &'static [&'static str],
    /// Done as engines come ashore rather than when due.
    pub lay_up: bool,
    pub four_strokes_only: bool,
    /// Part and quantity; gear oil is worked out from the model.
    pub parts: &'static [(&'static str, u32)],
}

pub const GEAR_OIL: &str = "GO-90";

pub const TASKS: [Task; 10] = [
    Task {
        code: "gear-oil",
        name: "Change gear oil, look at the old",
        verb: "replace",
        access: "none",
        minutes: 25,
        hours: Some(50),
        months: Some(12),
        first_hours: Some(20),
        first_months: Some(3),
        settles: &["gear-oil-look"],
        lay_up: true,
        four_strokes_only: false,
        parts: &[(GEAR_OIL, 0), ("{}-PG", 2)],
    },
    Task {
        code: "gear-oil-look",
        name: "Crack the lower plug: water, colour",
        verb: "check",
        access: "none",
        minutes: 8,
        hours: Some(25),
        months: None,
        first_hours: None,
        first_months: None,
        settles: &[],
        lay_up: false,
        four_strokes_only: false,
        parts: &[],
    },
    Task {
        code: "gearcase-test",
        name: "Pressure-test the gearcase, shafts turned",
        verb: "check",
        access: "none",
        minutes: 25,
        hours: None,
        months: Some(12),
        first_hours: None,
        first_months: None,
        settles: &[],
        lay_up: true,
        four_strokes_only: false,
        parts: &[],
    },
    Task {
        code: "pump-kit",
        name: "Renew the water-pump kit",
        verb: "replace",
        access: "gearcase off",
        minutes: 55,
        hours: Some(200),
        months: Some(24),
        first_hours: None,
        first_months: None,
        settles: &["pump-look"],
        lay_up: true,
        four_strokes_only: false,
        parts: &[("{}-PK", 1)],
    },
    Task {
        code: "pump-look",
        name: "Look at the impeller and its cup",
        verb: "check",
        access: "gearcase off",
        minutes: 15,
        hours: None,
        months: Some(12),
        first_hours: None,
        first_months: None,
        settles: &[],
        lay_up: true,
        four_strokes_only: false,
        parts: &[("{}-PB", 1)],
    },
    Task {
        code: "reseal",
        name: "Reseal the gearcase",
        verb: "replace",
        access: "carrier out",
        minutes: 120,
        hours: Some(500),
        months: Some(36),
        first_hours: None,
        first_months: None,
        settles: &["gearcase-test", "gear-oil", "pump-look"],
        lay_up: true,
        four_strokes_only: false,
        parts: &[("{}-SK", 1), (GEAR_OIL, 0)],
    },
    Task {
        code: "engine-oil",
        name: "Change engine oil",
        verb: "replace",
        access: "cowl off",
        minutes: 20,
        hours: Some(100),
        months: Some(12),
        first_hours: Some(20),
        first_months: Some(3),
        settles: &[],
        lay_up: true,
        four_strokes_only: true,
        parts: &[("EO-10W", 800)],
    },
    Task {
        code: "plugs",
        name: "Renew the spark plugs",
        verb: "replace",
        access: "cowl off",
        minutes: 12,
        hours: Some(200),
        months: Some(24),
        first_hours: None,
        first_months: None,
        settles: &[],
        lay_up: true,
        four_strokes_only: false,
        parts: &[("{}-SP", 2)],
    },
    Task {
        code: "anodes",
        name: "Check the anode, renew it at half",
        verb: "check",
        access: "none",
        minutes: 10,
        hours: Some(100),
        months: Some(12),
        first_hours: None,
        first_months: None,
        settles: &[],
        lay_up: true,
        four_strokes_only: false,
        parts: &[],
    },
    Task {
        code: "prop-shaft",
        name: "Propeller off: line, washer, grease the splines",
        verb: "grease",
        access: "propeller off",
        minutes: 15,
        hours: Some(50),
        months: Some(12),
        first_hours: None,
        first_months: None,
        settles: &[],
        lay_up: true,
        four_strokes_only: false,
        parts: &[("{}-CP", 1)],
    },
];

/// A part; `{}` stands for the model's prefix, and such a part exists once for each model.
pub struct Part {
    pub number: &'static str,
    pub name: &'static str,
    pub unit: &'static str,
    pub compound: Option<&'static str>,
    pub supplier: usize,
    /// Price of one (of a litre, for what is measured in millilitres), in minor units.
    pub price_minor: i64,
    pub pack: u32,
    pub lead_days: u32,
    pub lead_days_worst: u32,
}

const fn piece(
    number: &'static str,
    name: &'static str,
    supplier: usize,
    price_minor: i64,
    pack: u32,
    lead_days: u32,
) -> Part {
    Part {
        number,
        name,
        unit: "piece",
        compound: None,
        supplier,
        price_minor,
        pack,
        lead_days,
        lead_days_worst: lead_days * 3,
    }
}

const fn rubber(part: Part, compound: &'static str) -> Part {
    Part { compound: Some(compound), ..part }
}

const fn oil(part: Part) -> Part {
    Part { unit: "ml", ..part }
}

pub const PARTS: [Part; 19] = [
    rubber(piece("{}-SK", "Gearcase seal kit", 0, 4_650, 1, 21), "NBR"),
    rubber(piece("{}-PS", "Propeller-shaft seal", 0, 780, 5, 21), "NBR"),
    rubber(piece("{}-DS", "Drive-shaft seal", 0, 690, 5, 21), "NBR"),
    rubber(piece("{}-CO", "Carrier O-ring", 0, 240, 5, 14), "NBR"),
    rubber(piece("{}-SO", "Shift-shaft O-ring", 0, 190, 5, 14), "NBR"),
    piece("{}-PG", "Plug gasket", 1, 45, 20, 7),
    piece("{}-PB", "Pump-base gasket", 0, 210, 5, 14),
    piece("{}-PK", "Water-pump kit", 0, 3_850, 1, 18),
    rubber(piece("{}-IM", "Impeller", 0, 1_650, 1, 18), "CR"),
    piece("{}-WP", "Pump wear plate", 0, 720, 1, 18),
    piece("{}-SP", "Spark plug", 1, 520, 4, 5),
    piece("{}-AN", "Anode", 1, 980, 1, 6),
    piece("{}-CP", "Cotter pin", 1, 30, 20, 5),
    piece("{}-TH", "Thermostat", 0, 2_100, 1, 25),
    piece("{}-SH", "Propeller shaft", 0, 14_500, 1, 60),
    piece("{}-PR", "Propeller", 2, 7_900, 1, 12),
    oil(piece("GO-90", "Gear oil, GL-5 90", 2, 1_450, 350, 4)),
    oil(piece("EO-10W", "Engine oil, four-stroke", 2, 890, 1_000, 4)),
    piece("GR-1", "Marine grease, cartridge", 2, 1_150, 1, 4),
];

/// A kit and what is in it: the same loose parts.
pub const KITS: [(&str, &[(&str, u32)]); 2] = [
    (
        "{}-SK",
        &[("{}-PS", 2), ("{}-DS", 2), ("{}-CO", 1), ("{}-SO", 1), ("{}-PG", 2), ("{}-PB", 1)],
    ),
    ("{}-PK", &[("{}-IM", 1), ("{}-WP", 1), ("{}-PB", 1)]),
];

/// Suppliers: name, order minimum and freight in minor units.
pub const SUPPLIERS: [(&str, i64, i64); 3] = [
    ("Carrick Marine Spares", 25_000, 1_800),
    ("Dunmore Chandlery", 10_000, 950),
    ("Fenwick Oils & Props", 15_000, 1_400),
];

pub const PEOPLE: [(&str, &str, &str); 5] = [
    ("Ailsa Corran", "owner", ""),
    ("Bram Tolley", "planner", ""),
    ("Ines Vardy", "buyer", ""),
    ("Jory Penhale", "technician", "outboards"),
    ("Mair Lund", "technician", "outboards"),
];
