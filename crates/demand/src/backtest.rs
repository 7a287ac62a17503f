//! Rolling-origin backtest: the forecast's own code, run as if the last months were not known.
//!
//! Tashman (2000), Int. J. of Forecasting 16, 437-450.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use crate::across::AcrossParts;
use crate::history::History;
use crate::models::{Known, MODELS, Model, Prepared, SINGLE_MODELS};
use crate::predictive::Predictive;
use crate::scores::{Scale, Tally};
use crate::season::Seasons;

/// Rolling origins. Each is scored on the months up to the next one, so that no month is scored
/// twice and what older origins taught can be tried at the newest.
pub const ORIGINS: usize = 3;
/// Months from origin to origin, at most.
const STEP_MAX: usize = 6;
/// Histories this many times as long as the step are needed.
const STEPS_A_HISTORY: usize = 5;
/// Months of a part's history an origin leaves at least.
const KNOWN_MIN: usize = 4;
/// Paths drawn for a score where the distribution has no closed form.
pub const SCORED_PATHS: usize = 120;

/// Months cut off at each rolling origin, oldest first; none where the longest history is too
/// short for three.
pub fn rolling_origins(histories: &[History]) -> Vec<usize> {
    let longest = histories.iter().map(|history| history.quantities.len()).max().unwrap_or(0);
    let step = STEP_MAX.min(longest / STEPS_A_HISTORY);
    (1..=ORIGINS).rev().map(|turn| turn * step).filter(|&back| back > 0).collect()
}

/// Everything learnt across parts up to one origin.
pub struct Origin {
    /// Months cut off; 0 for the forecast itself.
    pub back: usize,
    /// Months scored.
    scored: usize,
    seasons: Seasons,
    across: Option<AcrossParts>,
}

impl Origin {
    /// Learns from `histories` without their newest `back` months, to be scored on `scored`.
    pub fn learn(histories: &[History], back: usize, scored: usize, seed: u64) -> Self {
        let across = AcrossParts::fit(histories, back, seed);
        Self { back, scored, seasons: Seasons::learn(histories, back), across }
    }

    /// One part as it was known then; `None` where too little or nothing was.
    pub fn view<'b>(&'b self, history: &'b History, months: usize) -> Option<View<'b>> {
        let length = history.quantities.len().checked_sub(self.back)?;
        if length == 0 || (self.back > 0 && length < KNOWN_MIN) {
            return None;
        }
        let known = Known {
            quantities: &history.quantities[..length],
            first_of_year: history.first.of_year(),
            borrowed: self.seasons.of_family(history.family.as_deref()),
            grain: history.grain(),
        };
        let prepared = Prepared::new(known, months);
        Some(View { origin: self, known, prepared, months })
    }
}

/// One part at one origin.
pub struct View<'a> {
    origin: &'a Origin,
    known: Known<'a>,
    prepared: Prepared<'a>,
    months: usize,
}

impl View<'_> {
    /// Quantities up to the origin.
    pub const fn quantities(&self) -> &[f64] {
        self.known.quantities
    }

    /// Any model but the combination; `None` where it has no answer.
    pub fn predict(
        &self,
        model: Model,
        paths: usize,
        random: &mut ChaCha8Rng,
    ) -> Option<Predictive> {
        if model == Model::AcrossParts {
            let across = self.origin.across.as_ref()?;
            let known = self.known;
            let drawn = across.draw(known.quantities, known.grain, self.months, paths, random)?;
            return Some(Predictive::Paths(drawn));
        }
        self.prepared.predict(model)
    }
}

/// Draws of one part at one origin, whoever its neighbours are.
pub fn stream_of(seed: u64, part: &str, back: usize) -> ChaCha8Rng {
    // FNV-1a: the stream hangs on the part's name alone, not on its place in the file.
    let hash = part.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    });
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    random.set_stream(hash ^ ((back as u64) << 32));
    random
}

/// What a part's forecasts at one origin are scored against.
pub struct Trial<'a> {
    pub view: View<'a>,
    pub scale: Scale,
    pub actual: &'a [f64],
}

impl Trial<'_> {
    /// Scores one answer.
    pub fn score(&self, predictive: &Predictive, random: &mut ChaCha8Rng) -> Tally {
        let mut tally = Tally::default();
        let outlook = predictive.outlook(self.actual.len(), random);
        tally.take(&outlook, self.view.quantities(), self.scale, self.actual);
        tally
    }
}

/// The trial of `history` at `origin`; `None` where it can't be scored: nothing known, or a
/// history that never changed.
pub fn trial<'a>(origin: &'a Origin, history: &'a History) -> Option<Trial<'a>> {
    let length = history.quantities.len().checked_sub(origin.back)?;
    let scored = origin.scored;
    let view = origin.view(history, scored)?;
    let scale = Scale::of(view.quantities())?;
    Some(Trial { view, scale, actual: &history.quantities[length..length + scored] })
}

/// Tallies of every model, by [`Model::index`].
pub type Tallies = [Tally; MODELS];

/// How every model did for one part.
#[derive(Clone, Debug)]
pub struct Record {
    /// Over all origins.
    pub tallies: Tallies,
    /// Loss at each origin; not a number where the model had no answer, or nothing was scored.
    pub losses: [[f32; MODELS]; ORIGINS],
}

impl Record {
    fn new() -> Self {
        let losses = [[f32::NAN; MODELS]; ORIGINS];
        Self { tallies: [Tally::default(); MODELS], losses }
    }

    /// Number of origins this part was scored at.
    pub fn origins(&self) -> usize {
        let scored = self.losses.iter().filter(|row| row.iter().any(|loss| loss.is_finite()));
        scored.count()
    }

    /// Adds a model's tally of the origin at `place`.
    pub fn take(&mut self, place: usize, model: Model, tally: &Tally) {
        self.tallies[model.index()].add(tally);
        self.losses[place][model.index()] = tally.loss().unwrap_or(f64::NAN) as f32;
    }
}

/// Scores all models but the combination at all `origins`.
pub fn score_models(origins: &[Origin], history: &History, seed: u64) -> Record {
    let mut record = Record::new();
    for (place, origin) in origins.iter().enumerate() {
        let Some(trial) = trial(origin, history) else { continue };
        let mut random = stream_of(seed, &history.part, origin.back);
        for model in SINGLE_MODELS.into_iter().chain([Model::AcrossParts]) {
            if let Some(predictive) = trial.view.predict(model, SCORED_PATHS, &mut random) {
                record.take(place, model, &trial.score(&predictive, &mut random));
            }
        }
    }
    record
}
