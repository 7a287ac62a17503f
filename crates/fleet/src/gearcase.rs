//! The leak test of a gearcase: does it hold pressure and vacuum?
//!
//! A closed case loses pressure when it cools and gains when it warms, by more than many leaks
//! would in the same time. So a drop is corrected by the gas law at constant volume, with absolute
//! pressures and temperatures (Gay-Lussac), and stands beside the raw drop, never instead of it.
//! What the gauge and the thermometer cannot show is not called a pass.
//!
//! Invariant: a [`HoldTest`] can have happened (finite figures, absolute pressures above 0).
//!
//! Pressure and vacuum can hurt: never above the figure in the engine maker's manual, eyes
//! covered, hose vented before it comes off. Callers show this beside a test.

use crate::service::TestOutcome;

/// 0 °C in kelvin: Thompson and Taylor (2008), NIST SP 811, section 4.
const ZERO_CELSIUS_K: f64 = 273.15;

/// Temperatures further apart than this ask for a repeat once the case has settled. Common
/// practice, no source.
pub const TEMPERATURE_CHANGE_MAX_C: f64 = 3.0;

/// What can be seen at all must be within this share of the start pressure. Our own choice.
pub const SEEN_SHARE_MAX: f64 = 0.05;

/// How well a workshop thermometer tells the case's temperature. Common practice, no source.
const TEMPERATURE_UNCERTAINTY_C: f64 = 0.5;

/// Sums of decimal figures may miss a limit by a rounding.
const ROUNDING: f64 = 1e-9;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HoldKind {
    Pressure,
    /// Gauge values are negative.
    Vacuum,
}

/// Readings of one hold. Gauge pressures are relative to the air around.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HoldReadings {
    pub kind: HoldKind,
    pub gauge_start_kpa: f64,
    pub gauge_end_kpa: f64,
    /// Case temperatures at start and end; `None`: not taken.
    pub temperatures_c: Option<(f64, f64)>,
    pub ambient_kpa: f64,
    pub hold_s: f64,
    pub gauge_division_kpa: f64,
    /// Largest drop the maker allows, 0 where it must hold; `None`: the maker's figure is not
    /// known, and then nothing is called a pass.
    pub limit_kpa: Option<f64>,
    /// Whether all shafts were turned under test: a lip may hold still and leak turning.
    pub shafts_turned: bool,
}

/// Readings that can have happened.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HoldTest(HoldReadings);

/// What a hold showed.
#[derive(Clone, Debug, PartialEq)]
pub struct HoldResult {
    /// Fall of the gauge towards 0; below 0 it rose away from it.
    pub raw_drop_kpa: f64,
    /// The same less what temperature explains: a leak is above 0. The raw drop where
    /// temperatures were not taken.
    pub corrected_drop_kpa: f64,
    pub uncertainty_kpa: f64,
    /// The smallest leak that could have been seen: one division and the uncertainty.
    pub seen_from_kpa: f64,
    pub outcome: TestOutcome,
    pub reason: String,
}

#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum GearcaseError {
    #[error("{value} is not a possible {what}")]
    NotPossible { what: &'static str, value: f64 },
    #[error("{value} kPa: a pressure test starts above 0 on the gauge, a vacuum test below 0")]
    WrongSide { value: f64 },
    #[error(
        "{gauge} kPa on the gauge with {ambient} kPa around is no pressure above a full vacuum"
    )]
    BelowVacuum { gauge: f64, ambient: f64 },
    #[error("{value} °C is not a temperature a case is tested at; give -60 to 100 °C")]
    TemperatureOutOfRange { value: f64 },
}

impl GearcaseError {
    /// Stable name of the rule. Never reworded.
    pub const fn rule(&self) -> &'static str {
        match self {
            Self::NotPossible { .. } => "gearcase-not-possible",
            Self::WrongSide { .. } => "gearcase-wrong-side",
            Self::BelowVacuum { .. } => "gearcase-below-vacuum",
            Self::TemperatureOutOfRange { .. } => "gearcase-temperature",
        }
    }
}

impl HoldTest {
    /// Readings, if they can have happened.
    pub fn new(readings: HoldReadings) -> Result<Self, GearcaseError> {
        let HoldReadings { kind, gauge_start_kpa, gauge_end_kpa, ambient_kpa, hold_s, .. } =
            readings;
        let not_possible = |what, value| Err(GearcaseError::NotPossible { what, value });
        let above_zero = |value: f64| value.is_finite() && value > 0.0;
        if !above_zero(ambient_kpa) {
            return not_possible("pressure of the air around (kPa, above 0)", ambient_kpa);
        }
        if !above_zero(hold_s) {
            return not_possible("hold (seconds, above 0)", hold_s);
        }
        if !above_zero(readings.gauge_division_kpa) {
            let division = readings.gauge_division_kpa;
            return not_possible("gauge division (kPa, above 0)", division);
        }
        if let Some(limit) = readings.limit_kpa
            && !(limit.is_finite() && limit >= 0.0)
        {
            return not_possible("allowed drop (kPa, 0 where it must hold)", limit);
        }
        for gauge in [gauge_start_kpa, gauge_end_kpa] {
            if !gauge.is_finite() {
                return not_possible("gauge pressure (kPa)", gauge);
            }
            if gauge + ambient_kpa <= 0.0 {
                return Err(GearcaseError::BelowVacuum { gauge, ambient: ambient_kpa });
            }
        }
        if (kind == HoldKind::Pressure && gauge_start_kpa <= 0.0)
            || (kind == HoldKind::Vacuum && gauge_start_kpa >= 0.0)
        {
            return Err(GearcaseError::WrongSide { value: gauge_start_kpa });
        }
        if let Some((start, end)) = readings.temperatures_c {
            for value in [start, end] {
                if !(-60.0..=100.0).contains(&value) {
                    return Err(GearcaseError::TemperatureOutOfRange { value });
                }
            }
        }
        Ok(Self(readings))
    }

    pub const fn readings(&self) -> &HoldReadings {
        &self.0
    }

    /// Judges the hold. In this order:
    ///
    /// - `inconclusive` where temperatures are more than 3 °C apart, or where what can be seen at
    ///   all (one division and the uncertainty) is more than 5 % of the start pressure;
    /// - must hold (limit 0): `fail` where the drop is beyond what can be seen;
    /// - with a limit: `fail` where the drop less its uncertainty is above it, `inconclusive`
    ///   where the drop and its uncertainty are;
    /// - held with no limit known: `inconclusive`; held with shafts not turned: `static only`.
    ///
    /// ```text
    /// expected end = (start + ambient) T_end / T_start − ambient
    /// drop         = expected − measured end   (vacuum: measured − expected)
    /// ```
    ///
    /// The uncertainty is half a division at each reading and 0.5 °C at each temperature, as the
    /// root of the sum of squares. Without temperatures both are taken as 20 °C, known to 3 °C:
    /// the most that would be let pass if they had been taken.
    pub fn judge(&self) -> HoldResult {
        let readings = &self.0;
        let towards_zero = match readings.kind {
            HoldKind::Pressure => 1.0,
            HoldKind::Vacuum => -1.0,
        };
        let (start_c, end_c) = readings.temperatures_c.unwrap_or((20.0, 20.0));
        let expected = expected_gauge_kpa(
            readings.gauge_start_kpa,
            (start_c, end_c),
            (readings.ambient_kpa, readings.ambient_kpa),
        );
        let raw_drop_kpa = towards_zero * (readings.gauge_start_kpa - readings.gauge_end_kpa);
        let corrected_drop_kpa = match readings.temperatures_c {
            Some(_) => towards_zero * (expected - readings.gauge_end_kpa),
            None => raw_drop_kpa,
        };
        let uncertainty_kpa = self.uncertainty_kpa(start_c, end_c);
        let seen_from_kpa = readings.gauge_division_kpa + uncertainty_kpa;
        let mut result = HoldResult {
            raw_drop_kpa,
            corrected_drop_kpa,
            uncertainty_kpa,
            seen_from_kpa,
            outcome: TestOutcome::Inconclusive,
            reason: String::new(),
        };
        (result.outcome, result.reason) = self.conclude(&result, (end_c - start_c).abs());
        result
    }

    fn uncertainty_kpa(&self, start_c: f64, end_c: f64) -> f64 {
        let readings = &self.0;
        let (start_k, end_k) = (start_c + ZERO_CELSIUS_K, end_c + ZERO_CELSIUS_K);
        let start_absolute = readings.gauge_start_kpa + readings.ambient_kpa;
        let half_division = 0.5 * readings.gauge_division_kpa;
        // Each reading's own share of the drop: the drop's derivative by it, times its error.
        let gauge = [half_division * end_k / start_k, half_division];
        let temperature = match readings.temperatures_c {
            Some(_) => [
                TEMPERATURE_UNCERTAINTY_C * start_absolute / start_k,
                TEMPERATURE_UNCERTAINTY_C * start_absolute * end_k / (start_k * start_k),
            ],
            None => [TEMPERATURE_CHANGE_MAX_C * start_absolute / start_k, 0.0],
        };
        gauge.iter().chain(&temperature).map(|share| share * share).sum::<f64>().sqrt()
    }

    /// The outcome, and what could have been seen or what is to blame.
    fn conclude(&self, result: &HoldResult, change_c: f64) -> (TestOutcome, String) {
        let readings = &self.0;
        if let Some(reason) = self.doubt(result, change_c) {
            return (TestOutcome::Inconclusive, reason);
        }
        let exceeded = match readings.limit_kpa {
            Some(limit) if limit > 0.0 => self.compare_with_limit(result, limit),
            _ => self.compare_with_none(result),
        };
        if let Some(exceeded) = exceeded {
            return exceeded;
        }
        let held = self.say_held(result);
        if readings.limit_kpa.is_none() {
            let reason = format!("{held}; the maker's figure is not entered, so not called a pass");
            (TestOutcome::Inconclusive, reason)
        } else if readings.shafts_turned {
            (TestOutcome::Pass, held)
        } else {
            let reason = format!("{held}; shafts not turned, and a lip may leak only turning");
            (TestOutcome::StaticOnly, reason)
        }
    }

    /// What keeps the readings from telling anything.
    fn doubt(&self, result: &HoldResult, change_c: f64) -> Option<String> {
        let readings = &self.0;
        if change_c > TEMPERATURE_CHANGE_MAX_C + ROUNDING {
            return Some(format!(
                "the temperature moved by {change_c:.1} °C, more than {TEMPERATURE_CHANGE_MAX_C} °C: \
                 let it settle and test again"
            ));
        }
        let start = readings.gauge_start_kpa.abs();
        if result.seen_from_kpa <= SEEN_SHARE_MAX * start + ROUNDING {
            return None;
        }
        let blame = if readings.temperatures_c.is_none() {
            "temperatures were not taken"
        } else if readings.gauge_division_kpa > result.uncertainty_kpa {
            "the gauge is too coarse"
        } else {
            "gauge and temperature together are too uncertain"
        };
        Some(format!(
            "{blame}: the smallest leak that could be seen is {:.2} kPa, more than 5 % of the \
             {start:.1} kPa at the start",
            result.seen_from_kpa
        ))
    }

    /// Where it must hold: `None` if it did, as far as can be seen.
    fn compare_with_none(&self, result: &HoldResult) -> Option<(TestOutcome, String)> {
        let HoldResult { corrected_drop_kpa: drop, seen_from_kpa, .. } = *result;
        let fail = || {
            let reason = format!(
                "lost {drop:.2} kPa in {:.0} s where it must hold; the smallest leak that could \
                 have been seen is {seen_from_kpa:.2} kPa",
                self.0.hold_s
            );
            (TestOutcome::Fail, reason)
        };
        (drop > seen_from_kpa + ROUNDING).then(fail)
    }

    /// Where a drop is allowed: `None` if it surely stayed within.
    fn compare_with_limit(&self, result: &HoldResult, limit: f64) -> Option<(TestOutcome, String)> {
        let HoldResult { corrected_drop_kpa: drop, uncertainty_kpa, .. } = *result;
        let lost = format!("lost {drop:.2} kPa in {:.0} s, {limit:.2} kPa allowed", self.0.hold_s);
        if drop - uncertainty_kpa > limit + ROUNDING {
            let reason =
                format!("{lost}; an uncertainty of {uncertainty_kpa:.2} kPa does not explain it");
            Some((TestOutcome::Fail, reason))
        } else if drop + uncertainty_kpa > limit + ROUNDING {
            let reason = format!(
                "{lost}: with an uncertainty of {uncertainty_kpa:.2} kPa either side of the limit is \
                 possible; use a finer gauge or a steadier temperature"
            );
            Some((TestOutcome::Inconclusive, reason))
        } else {
            None
        }
    }

    fn say_held(&self, result: &HoldResult) -> String {
        let HoldResult { corrected_drop_kpa: drop, seen_from_kpa, .. } = *result;
        let smallest =
            format!("the smallest leak that could have been seen is {seen_from_kpa:.2} kPa");
        if drop < -seen_from_kpa {
            format!(
                "gained {:.2} kPa more than temperature explains, so nothing was lost (check gauge \
                 and thermometer); {smallest}",
                -drop
            )
        } else {
            format!("held for {:.0} s; {smallest}", self.0.hold_s)
        }
    }
}

/// What a gauge would show at the end if nothing leaked: a closed volume of dry gas taken from
/// the first to the second of `temperatures_c`, with the air around at the first and second of
/// `ambient_kpa`.
///
/// Gay-Lussac's law in absolute pressure and temperature; to scale the gauge pressure itself is
/// wrong by more than a leak.
pub fn expected_gauge_kpa(
    gauge_start_kpa: f64,
    temperatures_c: (f64, f64),
    ambient_kpa: (f64, f64),
) -> f64 {
    let (start_k, end_k) = (temperatures_c.0 + ZERO_CELSIUS_K, temperatures_c.1 + ZERO_CELSIUS_K);
    (gauge_start_kpa + ambient_kpa.0) * end_k / start_k - ambient_kpa.1
}

/// The air that a drop stands for, as a flow at the pressure around: mL a minute from a volume
/// (case, hose and gauge) in mL. The same drop is a smaller leak in a smaller case.
pub fn leak_flow_ml_per_min(
    volume_ml: f64,
    drop_kpa: f64,
    ambient_kpa: f64,
    hold_s: f64,
) -> Option<f64> {
    let flow = volume_ml * drop_kpa / ambient_kpa * 60.0 / hold_s;
    (ambient_kpa > 0.0 && hold_s > 0.0 && flow.is_finite()).then_some(flow)
}

#[cfg(test)]
mod tests;
