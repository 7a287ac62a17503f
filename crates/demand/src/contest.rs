//! A forecast from elsewhere beside every model of bare history, at one past month.
//!
//! Whoever knows more than the history (due dates, a plan) is scored on the same months, by the
//! same scores, against models that know the same months and nothing else. Tashman (2000), Int. J.
//! of Forecasting 16, 437-450.

use rayon::prelude::*;

use crate::backtest::{Origin, SCORED_PATHS, stream_of, trial};
use crate::error::DemandError;
use crate::forecast::{Request, forecast};
use crate::history::{History, check_histories};
use crate::models::{Model, SINGLE_MODELS};
use crate::paths::SamplePaths;
use crate::predictive::Predictive;
use crate::scores::Tally;

/// How everyone did for one part at one origin.
#[derive(Clone, Debug, PartialEq)]
pub struct Contest {
    /// The given paths.
    pub given: Tally,
    /// Each model that answered. [`Model::Combination`] stands for what [`forecast()`] would have
    /// chosen for the part then, with all it learns across parts.
    pub models: Vec<(Model, Tally)>,
}

/// Scores `given` (one for each of `histories`, `None` for nothing expected) and every model on
/// the last `months` of `histories`, of which they know what came before. `None` for a part that
/// can't be scored: no month before, or months that never changed.
///
/// # Errors
/// Histories or request that break a rule.
///
/// Panics where `given` has another length than `histories`, or paths of fewer months than
/// `months`: that is our own mistake.
pub fn contest(
    histories: &[History],
    given: &[Option<SamplePaths>],
    months: usize,
    seed: u64,
) -> Result<Vec<Option<Contest>>, DemandError> {
    assert_eq!(histories.len(), given.len(), "a forecast for each history");
    check_histories(histories)?;
    let origin = Origin::learn(histories, months, months, seed);
    let chosen = chosen_then(histories, months, seed)?;
    let nothing = SamplePaths::new(months, vec![0.0; months]);
    let scored = histories.par_iter().zip(given).zip(&chosen).map(|((history, given), chosen)| {
        let trial = trial(&origin, history)?;
        let mut random = stream_of(seed, &history.part, months);
        let mut models = Vec::with_capacity(SINGLE_MODELS.len() + 2);
        for model in SINGLE_MODELS.into_iter().chain([Model::AcrossParts]) {
            if let Some(predictive) = trial.view.predict(model, SCORED_PATHS, &mut random) {
                models.push((model, trial.score(&predictive, &mut random)));
            }
        }
        if let Some(paths) = chosen {
            let tally = trial.score(&Predictive::Paths(paths.clone()), &mut random);
            models.push((Model::Combination, tally));
        }
        let given = Predictive::Paths(given.as_ref().unwrap_or(&nothing).clone());
        Some(Contest { given: trial.score(&given, &mut random), models })
    });
    Ok(scored.collect())
}

/// Paths that the whole pipeline would have given without the last `months`.
fn chosen_then(
    histories: &[History],
    months: usize,
    seed: u64,
) -> Result<Vec<Option<SamplePaths>>, DemandError> {
    let cut = |history: &History| {
        let known = history.quantities.len().checked_sub(months).filter(|known| *known > 0)?;
        Some(History { quantities: history.quantities[..known].to_vec(), ..history.clone() })
    };
    let known: Vec<Option<History>> = histories.iter().map(cut).collect();
    let asked: Vec<History> = known.iter().flatten().cloned().collect();
    let request = Request { months, paths: 2 * SCORED_PATHS, seed };
    let mut run = forecast(&asked, &request, &|_, _| {})?.parts.into_iter();
    Ok(known
        .iter()
        .map(|known| known.as_ref().and_then(|_| run.next()).map(|it| it.paths))
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::month::Month;

    fn history(part: &str, quantities: Vec<f64>) -> History {
        let first = Month::new(2020, 1).unwrap();
        History { part: part.to_owned(), family: None, first, quantities }
    }

    /// A part asked for in a month that no history tells, and a forecast that knows it.
    #[test]
    fn who_knows_the_months_to_come_wins_and_who_expects_nothing_loses() {
        let mut quantities: Vec<f64> = (0..30).map(|month| f64::from(month * 7 % 5)).collect();
        quantities.extend([40.0, 0.0, 35.0]);
        let histories = [history("told", quantities.clone()), history("untold", quantities)];
        let knows = SamplePaths::new(3, vec![40.0, 0.0, 35.0]);
        let scored = contest(&histories, &[Some(knows), None], 3, 1).unwrap();
        let pinball = |tally: &Tally| tally.scores().unwrap().pinball;
        let told = scored[0].as_ref().unwrap();
        assert_eq!(pinball(&told.given), 0.0);
        assert_eq!(told.given.scores().unwrap().bias, Some(0.0));
        let untold = scored[1].as_ref().unwrap();
        assert!(pinball(&untold.given) > 0.0);
        let named: Vec<Model> = told.models.iter().map(|model| model.0).collect();
        // Two parts are too few for the model across parts.
        for model in [Model::SeasonalNaive, Model::Croston, Model::Combination] {
            assert!(named.contains(&model), "{model:?} of {named:?}");
        }
        assert!(told.models.iter().all(|(_, tally)| pinball(tally) > 0.0));
    }

    #[test]
    fn a_part_without_months_before_is_left_out() {
        let new = history("new", vec![1.0, 2.0]);
        assert_eq!(contest(&[new], &[None], 3, 1), Ok(vec![None]));
    }
}
