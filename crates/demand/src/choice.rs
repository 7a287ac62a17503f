//! Which model a part's forecast comes from, and why.
//!
//! The combination is the default. A part goes its own way only where a single model beat the
//! combination at every origin and by a margin, on a history long enough to tell; and only if
//! parts that did so in the older origins were better off for it at the newest. So a part with a
//! short history can't pick whatever happened to fit.

use crate::backtest::{ORIGINS, Record};
use crate::combination::{SHARES, Shares};
use crate::models::{Model, SINGLE_MODELS};

/// Months of history below which a part doesn't choose.
const HISTORY_MIN: usize = 24;
/// Relative gain over the combination below which a part doesn't choose.
const MARGIN: f32 = 0.15;

/// Whether parts may go their own way, found out by holding the newest origin back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OwnWay {
    /// Parts that chose were better off at the newest origin.
    Helps,
    /// They were not: the combination serves all.
    Harms,
}

impl OwnWay {
    /// Tries the rule on the older origins, by the newest's result; `default_losses` are the
    /// combination's, part by part and origin by origin.
    pub fn find(records: &[Record], lengths: &[usize]) -> Self {
        let newest = ORIGINS - 1;
        let (mut gained, mut squares) = (0.0, 0.0);
        for (record, &length) in records.iter().zip(lengths) {
            let Some(model) = better_at(record, length, newest) else { continue };
            let row = &record.losses[newest];
            let gain = row[Model::Combination.index()] - row[model.index()];
            if gain.is_finite() {
                gained += f64::from(gain);
                squares += f64::from(gain * gain);
            }
        }
        // Twice the standard error of the sum.
        if gained > 2.0 * f64::sqrt(squares) { Self::Helps } else { Self::Harms }
    }
}

/// The single model that beat the combination at each of the first `origins`, and by the margin
/// together.
fn better_at(record: &Record, length: usize, origins: usize) -> Option<Model> {
    if length < HISTORY_MIN {
        return None;
    }
    let rows = &record.losses[..origins];
    let sum = |model: Model| rows.iter().map(|row| row[model.index()]).sum::<f32>();
    let combined = sum(Model::Combination);
    SINGLE_MODELS
        .into_iter()
        .filter(|model| rows.iter().all(|row| row[model.index()] < row[Model::Combination.index()]))
        .map(|model| (sum(model), model))
        .filter(|(loss, _)| *loss < combined * (1.0 - MARGIN))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, model)| model)
}

/// A part's model and the reason, a sentence.
#[derive(Clone, Debug, PartialEq)]
pub struct Choice {
    pub model: Model,
    pub reason: String,
}

/// Chooses for one part, whose combination is `shares`.
pub fn choose(record: &Record, length: usize, shares: &Shares, own_way: OwnWay) -> Choice {
    let loss = |model: Model| record.tallies[model.index()].scores().map(|score| score.pinball);
    let origins = record.origins();
    if origins == ORIGINS
        && own_way == OwnWay::Helps
        && let Some(model) = better_at(record, length, origins)
        && let (Some(ours), Some(combined)) = (loss(model), loss(Model::Combination))
    {
        let reason = format!(
            "{} beat the combination at all {origins} rolling origins (scaled pinball loss \
             {ours:.3} against {combined:.3}), and parts that chose so before were better off",
            model.name()
        );
        return Choice { model, reason };
    }
    let model = match shares.parts() {
        [(only, _)] => *only,
        _ => Model::Combination,
    };
    Choice { model, reason: default_reason(record, origins, shares, model) }
}

fn default_reason(record: &Record, origins: usize, shares: &Shares, model: Model) -> String {
    let named = describe(shares);
    if origins == 0 {
        return format!("{named}; the part's own history is too short or too even to be scored");
    }
    let score = |model: Model| record.tallies[model.index()].scores().map(|score| score.pinball);
    match (score(model), score(Model::SeasonalNaive)) {
        (Some(ours), Some(naive)) if ours <= naive => format!(
            "{named}, best over all parts in the backtest; here scaled pinball loss {ours:.3} \
             against {naive:.3} of the seasonal naive over {origins} rolling origins"
        ),
        (Some(ours), Some(naive)) => format!(
            "{named}, best over all parts in the backtest; here the seasonal naive happened to be \
             better ({naive:.3} against {ours:.3}), which {origins} rolling origins of one part \
             are too few to trust"
        ),
        (Some(ours), None) => format!(
            "{named}, best over all parts in the backtest; here scaled pinball loss {ours:.3}; \
             the history has no year to compare the seasonal naive with"
        ),
        (None, _) => format!("{named}, best over all parts in the backtest"),
    }
}

/// The shares in words: "across parts 8/12, empirical 4/12".
pub fn describe(shares: &Shares) -> String {
    match shares.parts() {
        [(only, _)] => only.name().to_owned(),
        parts => {
            let named: Vec<String> = parts
                .iter()
                .map(|(model, share)| format!("{} {share}/{SHARES}", model.name()))
                .collect();
            format!("combination of {}", named.join(", "))
        }
    }
}
