//! One engine's rate beside its pool's average, and how it drifts.
//!
//! ```text
//! hours over an interval = S · (r + mean of u over it) + noise,  noise variance φ · mean
//! r  ~ (1, σr²)              the engine's own lasting rate, 1 the pool's average
//! u  ~ OU(σu², τ)            use that changes and is forgotten with time constant τ
//! ```
//!
//! S is the pool's curve summed over the interval. Without drift the posterior of r is the
//! credibility estimate of Bühlmann and Straub (1970), which is also that of a gamma rate; with it
//! a Kalman filter of two states gives the best linear estimate in constant time a reading. Drift
//! is what lets an engine that stands still since July be expected to stand still tomorrow, and to
//! come back. The four constants are the pool's, by pseudo-likelihood with weak priors.

use crate::history::Day;
use serde::{Deserialize, Serialize};

/// How engines of a pool differ and change.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct RateModel {
    /// Variance of hours over their mean, in hours: bunched use makes it large.
    pub overdispersion_hours: f64,
    /// Standard deviation of lasting rates, as a share of the pool's average.
    pub lasting_sd: f64,
    /// Standard deviation of passing changes, as a share of the pool's average.
    pub drift_sd: f64,
    /// Days after which a passing change has faded to 37 %.
    pub drift_days: f64,
    /// Chance a day that an engine at work is laid aside, and that one laid aside comes back.
    pub aside_a_day: f64,
    pub back_a_day: f64,
}

impl RateModel {
    /// What is assumed of a pool that has shown nothing. From memory of hire fleets.
    pub(crate) const PRIOR: Self = Self {
        overdispersion_hours: 3.0,
        lasting_sd: 0.3,
        drift_sd: 0.08,
        drift_days: 120.0,
        aside_a_day: 1.0 / 10_000.0,
        back_a_day: 1.0 / 60.0,
    };

    /// Share of time that an engine is laid aside.
    pub(crate) fn aside_share(&self) -> f64 {
        self.aside_a_day / (self.aside_a_day + self.back_a_day)
    }

    /// Rate at which it is forgotten whether an engine was laid aside.
    pub(crate) fn aside_fade(&self) -> f64 {
        self.aside_a_day + self.back_a_day
    }
}

/// An engine's rate after its last reading.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct RateState {
    pub lasting: f64,
    pub drift: f64,
    pub lasting_var: f64,
    pub covar: f64,
    pub drift_var: f64,
    /// How far each state answers to the engine's own readings: 0 the pool's, 1 its own.
    pub lasting_share: f64,
    pub drift_share: f64,
    /// Probability that the engine is laid aside.
    pub aside: f64,
}

/// What a reading was worth under the model; worked out as far as it is asked for.
pub(crate) struct Told {
    ways: Ways,
    any_hours: bool,
    at_work: f64,
    /// Of the rate: more than expected, its square over the variance, and both variances.
    above: bool,
    square: f64,
    seen_var: f64,
    state_var: f64,
    expected: f64,
    exposure: f64,
}

impl Told {
    /// Log pseudo-likelihood of the hours, weighted by the chance that the engine was at work.
    fn hours(&self) -> f64 {
        if !self.any_hours {
            // The variance is that of a rate; in hours it carries the exposure, which is given.
            return -0.5 * self.at_work * (self.seen_var.ln() + self.square);
        }
        let throughout = self.ways.throughout / (std::f64::consts::TAU * self.seen_var).sqrt();
        // Partly at work: anything up to what was expected is as likely, and above it as throughout.
        let partly = self.ways.partly() / self.expected;
        let told = if self.above {
            (partly + throughout).ln() - 0.5 * self.square
        } else {
            (partly + throughout * (-0.5 * self.square).exp()).ln()
        };
        told.max(LEAST_TOLD)
    }

    /// Log probability of there being none, or some.
    fn any(&self, model: &RateModel) -> f64 {
        let [none_partly, none] =
            chances_of_none(model, self.exposure, self.expected, self.state_var);
        let all = self.ways.never + self.ways.partly() * none_partly + self.ways.throughout * none;
        if self.any_hours { 1.0 - all } else { all }.max(1e-12).ln()
    }
}

/// Chance of no hours partly at work, and throughout.
fn chances_of_none(model: &RateModel, exposure: f64, rate: f64, variance: f64) -> [f64; 2] {
    let relative = variance / (rate * rate);
    let none = probability_of_none(rate * exposure, model.overdispersion_hours, relative);
    [(1.0 - none) / -none.clamp(1e-12, 1.0 - 1e-9).ln(), none]
}

/// What time alone does over some days.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Span {
    /// Share of a drift that is left, its mean over the days, and the variance of a unit drift's.
    pub fade: f64,
    pub mean_fade: f64,
    pub mean_var: f64,
    /// Chances of being laid aside, or at work, all the while.
    pub still_aside: f64,
    pub still_at_work: f64,
    /// As the drift's: of whether an engine is laid aside.
    pub aside_mean_fade: f64,
    pub aside_mean_var: f64,
}

impl Span {
    fn new(model: &RateModel, days: Day) -> Self {
        let days = f64::from(days);
        let span = days / model.drift_days;
        let (mean_fade, mean_var) = averages(span);
        let (aside_mean_fade, aside_mean_var) = averages(days * model.aside_fade());
        Self {
            fade: (-span).exp(),
            mean_fade,
            mean_var,
            still_aside: (-model.back_a_day * days).exp(),
            still_at_work: (-model.aside_a_day * days).exp(),
            aside_mean_fade,
            aside_mean_var,
        }
    }
}

/// A model with its spans of up to two months, which nearly all readings are apart: half of what a
/// reading costs is exponentials of its days.
#[derive(Clone, Debug)]
pub(crate) struct Pace {
    pub model: RateModel,
    spans: Vec<Span>,
}

const SPANS_KEPT: Day = 63;

impl Pace {
    pub fn new(model: RateModel) -> Self {
        Self { spans: (0..SPANS_KEPT).map(|days| Span::new(&model, days)).collect(), model }
    }

    pub fn over(&self, days: Day) -> Span {
        let kept = usize::try_from(days).ok().and_then(|days| self.spans.get(days));
        kept.copied().unwrap_or_else(|| Span::new(&self.model, days))
    }
}

impl RateState {
    pub fn new(model: &RateModel) -> Self {
        Self {
            lasting: 1.0,
            drift: 0.0,
            lasting_var: model.lasting_sd.powi(2),
            covar: 0.0,
            drift_var: model.drift_sd.powi(2),
            lasting_share: 0.0,
            drift_share: 0.0,
            aside: model.aside_share(),
        }
    }

    /// Lets `days` pass without news.
    pub fn wait(&mut self, pace: &Pace, days: Day) {
        if days <= 0 {
            return;
        }
        let Span { fade, still_aside, still_at_work, .. } = pace.over(days);
        let share = pace.model.aside_share();
        self.aside = share + (self.aside - share) * (still_aside * still_at_work);
        self.drift *= fade;
        self.drift_share *= fade;
        self.covar *= fade;
        self.drift_var =
            fade * fade * self.drift_var + pace.model.drift_sd.powi(2) * (1.0 - fade * fade);
    }

    /// Takes in `hours` over the next `days`, when the pool's average engine was expected to run
    /// `exposure_hours`.
    pub fn observe(&mut self, pace: &Pace, seen: &Observed) -> Told {
        let Observed { days, exposure_hours, hours, noise } = *seen;
        let model = &pace.model;
        let span = pace.over(days);
        let Span { fade, mean_fade, mean_var, .. } = span;
        let stationary = model.drift_sd.powi(2);
        let noise_of_mean = stationary * (mean_var - mean_fade * mean_fade).max(0.0);
        let noise_shared = stationary * mean_fade * (1.0 - fade);
        let noise_of_end = stationary * (1.0 - fade * fade);
        let share = model.aside_share();
        let exposure = exposure_hours.max(1e-6) / (1.0 - share);

        let expected = self.lasting + mean_fade * self.drift;
        let state_var = self.lasting_var
            + 2.0 * mean_fade * self.covar
            + mean_fade * mean_fade * self.drift_var
            + noise_of_mean;
        let expected_of = expected.clamp(0.1, 10.0);
        let noise_var = noise * model.overdispersion_hours * expected_of / exposure;
        let surprise = hours / exposure - expected;
        let seen_var = state_var + noise_var;
        let ways = Ways::new(&span, self.aside);
        let square = surprise * surprise / seen_var;
        let quiet = weight_of_evidence(exposure, QUIET_HOURS_OF_ONE);
        let after = if hours > 0.0 {
            // Only how throughout compares with partly counts (their densities: `Told::hours`); so
            // far off that neither explains it, it is partly. In logs, since the next reading waits
            // for this.
            let apart = if surprise < 0.0 { square } else { 0.0 };
            let log = 0.5
                * ((expected_of * expected_of / (std::f64::consts::TAU * seen_var)).ln() - apart);
            let times = if square < NEITHER { (quiet * log).exp() } else { 0.0 };
            ways.weighed([0.0, 1.0, times])
        } else {
            let [none_partly, none] = chances_of_none(model, exposure, expected_of, state_var);
            let tempered = |likely: f64| if likely > 0.0 { likely.powf(quiet) } else { 0.0 };
            ways.weighed([1.0, tempered(none_partly), tempered(none)])
        };
        self.aside = after.aside;
        let at_work = after.throughout.max(1e-3);
        let var = state_var + noise_var / at_work;
        let lasting_with = self.lasting_var + mean_fade * self.covar;
        let drift_with = fade * (self.covar + mean_fade * self.drift_var) + noise_shared;
        let (lasting_gain, drift_gain) = (lasting_with / var, drift_with / var);

        let share_surprise = 1.0 - self.lasting_share - mean_fade * self.drift_share;
        self.lasting += lasting_gain * surprise;
        self.drift = fade * self.drift + drift_gain * surprise;
        self.lasting_share += lasting_gain * share_surprise;
        self.drift_share = fade * self.drift_share + drift_gain * share_surprise;
        self.lasting_var -= lasting_gain * lasting_with;
        self.covar = fade * self.covar - lasting_gain * drift_with;
        self.drift_var = fade * fade * self.drift_var + noise_of_end - drift_gain * drift_with;
        Told {
            ways,
            any_hours: hours > 0.0,
            at_work,
            above: surprise >= 0.0,
            square,
            seen_var,
            state_var,
            expected: expected_of,
            exposure,
        }
    }
}

/// Log of the least density, 1e-300.
const LEAST_TOLD: f64 = -690.775_527_898_213_7;

/// Squared surprise over its variance beyond which a normal density is zero in 64 bits.
const NEITHER: f64 = 1_490.0;

/// Chances of an interval: laid aside all of it, back or laid aside in it, at work throughout.
struct Ways {
    never: f64,
    back: f64,
    laid: f64,
    throughout: f64,
}

/// After what was seen: chance of having been at work throughout, and of being laid aside now.
struct After {
    throughout: f64,
    aside: f64,
}

/// Of engines laid aside in an interval, those that still are at its end. From the backtest: 1 made
/// spring forecasts too low, 1/3 bands too wide.
const STILL_ASIDE: f64 = 2.0 / 3.0;

impl Ways {
    fn new(span: &Span, aside: f64) -> Self {
        let Span { still_aside, still_at_work, .. } = *span;
        Self {
            never: aside * still_aside,
            back: aside * (1.0 - still_aside),
            laid: (1.0 - aside) * (1.0 - still_at_work),
            throughout: (1.0 - aside) * still_at_work,
        }
    }

    fn partly(&self) -> f64 {
        self.back + self.laid
    }

    /// By Bayes' rule, from the likelihoods of never, partly, throughout.
    fn weighed(&self, likely: [f64; 3]) -> After {
        let never = self.never * likely[0];
        let (back, laid) = (self.back * likely[1], self.laid * likely[1]);
        let throughout = self.throughout * likely[2];
        let all = (never + back + laid + throughout).max(1e-300);
        let never = never / all;
        let aside = never + (1.0 - never) * self.laid * STILL_ASIDE;
        After { throughout: throughout / all, aside }
    }
}

/// Hires of gamma(4) length: overdispersion is 1.25 mean hires. From the same assumption that makes
/// it: lengths spread by half their mean.
const HIRE_SPREAD: f64 = 1.25;

/// Probability that not one of a Poisson number of hires is made, when their expected number is
/// gamma with the given relative variance: `(1 + m v)^(-1/v)`.
pub(crate) fn probability_of_none(mean: f64, overdispersion: f64, relative: f64) -> f64 {
    let hires = HIRE_SPREAD * mean / overdispersion;
    let relative = relative.max(1e-9);
    (-(hires * relative).ln_1p() / relative).exp()
}

/// An interval as the filter sees it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Observed {
    pub days: Day,
    pub exposure_hours: f64,
    pub hours: f64,
    pub noise: f64,
}

/// Mean of e⁻ˣ over [0, span], and variance of the mean of a unit OU process over it.
fn averages(span: f64) -> (f64, f64) {
    if span < 1e-3 {
        return (1.0 - span / 2.0, 1.0 - span / 3.0);
    }
    let faded = -(-span).exp_m1();
    (faded / span, 2.0 * (span - faded) / (span * span))
}

/// One engine's intervals with the pool's curve summed over them, for estimating the constants.
pub(crate) struct Track {
    /// Days since the interval before; below 0 never.
    pub steps: Vec<(Day, Observed)>,
}

/// Estimates the constants by maximum pseudo-likelihood with log-normal priors: first how rates
/// spread and drift, then from nothing but zeros how engines are laid aside, then the first again.
pub(crate) fn fit_rates(tracks: &[Track]) -> RateModel {
    if tracks.iter().all(|track| track.steps.is_empty()) {
        return RateModel::PRIOR;
    }
    let mut model = RateModel::PRIOR;
    for evaluations in [60, 40] {
        let logs = minimise(
            |logs| penalised(tracks, &model.with_spread(logs)),
            model.spread_logs(),
            evaluations,
        );
        model = model.with_spread(&logs);
        let logs = minimise(
            |logs| penalised_zeros(tracks, &model.with_aside(logs)),
            model.aside_logs(),
            20,
        );
        model = model.with_aside(&logs);
    }
    model
}

/// Intervals in which less is expected count little for the constants: on quiet days the curve's
/// own error would pass for the engines' evenness.
const QUIET_HOURS: f64 = 2.0;
/// The same for how engines are laid aside: where few hours are expected, none says little.
const QUIET_HOURS_OF_ZEROS: f64 = 10.0;
/// And for whether one engine is: in winter none at all may only be the weather.
const QUIET_HOURS_OF_ONE: f64 = 3.0;

fn weight_of_evidence(exposure_hours: f64, quiet_hours: f64) -> f64 {
    let square = exposure_hours * exposure_hours;
    square / (square + quiet_hours * quiet_hours)
}

fn sum_over(tracks: &[Track], model: &RateModel, part: impl Fn(&Told, f64) -> f64) -> f64 {
    let pace = Pace::new(*model);
    let mut sum = 0.0;
    for track in tracks {
        let mut state = RateState::new(model);
        for (gap, seen) in &track.steps {
            state.wait(&pace, *gap);
            let told = state.observe(&pace, seen);
            sum += part(&told, seen.exposure_hours);
        }
    }
    sum
}

fn squares<const N: usize>(logs: [f64; N], prior: [f64; N], sigma: [f64; N]) -> f64 {
    (0..N).map(|i| ((logs[i] - prior[i]) / sigma[i]).powi(2) / 2.0).sum()
}

fn penalised(tracks: &[Track], model: &RateModel) -> f64 {
    // Weak: a factor of 4 on the overdispersion, 2 to 3 on the others, is one sigma.
    const SIGMA: [f64; 4] = [1.5, 0.7, 1.0, 1.5];
    squares(model.spread_logs(), RateModel::PRIOR.spread_logs(), SIGMA)
        - sum_over(tracks, model, |told, s| told.hours() * s / (s + QUIET_HOURS))
}

fn penalised_zeros(tracks: &[Track], model: &RateModel) -> f64 {
    const SIGMA: [f64; 2] = [2.0, 0.7];
    squares(model.aside_logs(), RateModel::PRIOR.aside_logs(), SIGMA)
        - sum_over(tracks, model, |told, s| {
            told.any(model) * weight_of_evidence(s, QUIET_HOURS_OF_ZEROS)
        })
}

impl RateModel {
    fn spread_logs(&self) -> [f64; 4] {
        [self.overdispersion_hours, self.lasting_sd, self.drift_sd, self.drift_days].map(f64::ln)
    }

    fn with_spread(&self, logs: &[f64; 4]) -> Self {
        Self {
            overdispersion_hours: logs[0].exp().clamp(0.01, 1_000.0),
            lasting_sd: logs[1].exp().clamp(0.01, 3.0),
            drift_sd: logs[2].exp().clamp(0.01, 3.0),
            drift_days: logs[3].exp().clamp(10.0, 1_500.0),
            ..*self
        }
    }

    fn aside_logs(&self) -> [f64; 2] {
        [self.aside_a_day, self.back_a_day].map(f64::ln)
    }

    fn with_aside(&self, logs: &[f64; 2]) -> Self {
        Self {
            aside_a_day: logs[0].exp().clamp(1e-6, 0.05),
            back_a_day: logs[1].exp().clamp(1.0 / 730.0, 0.2),
            ..*self
        }
    }
}

/// Downhill simplex of Nelder and Mead (1965), Computer Journal 7, 308-313.
fn minimise<const N: usize>(
    objective: impl Fn(&[f64; N]) -> f64,
    start: [f64; N],
    evaluations: usize,
) -> [f64; N] {
    let mut simplex: Vec<([f64; N], f64)> = vec![(start, objective(&start))];
    for axis in 0..N {
        let mut point = start;
        point[axis] += 0.5;
        simplex.push((point, objective(&point)));
    }
    let mut used = simplex.len();
    while used < evaluations {
        simplex.sort_by(|a, b| a.1.total_cmp(&b.1));
        if simplex[N].1 - simplex[0].1 < 1e-2 {
            break;
        }
        let centre: [f64; N] =
            std::array::from_fn(|i| simplex[..N].iter().map(|(p, _)| p[i]).sum::<f64>() / N as f64);
        let worst = simplex[N].0;
        let along = |t: f64| -> [f64; N] {
            std::array::from_fn(|i| centre[i] + t * (centre[i] - worst[i]))
        };
        let reflected = along(1.0);
        let value = objective(&reflected);
        used += 1;
        if value < simplex[0].1 {
            let expanded = along(2.0);
            let further = objective(&expanded);
            used += 1;
            simplex[N] = if further < value { (expanded, further) } else { (reflected, value) };
        } else if value < simplex[N - 1].1 {
            simplex[N] = (reflected, value);
        } else {
            let inside = along(if value < simplex[N].1 { 0.5 } else { -0.5 });
            let nearer = objective(&inside);
            used += 1;
            if nearer < simplex[N].1.min(value) {
                simplex[N] = (inside, nearer);
            } else {
                let best = simplex[0].0;
                for corner in &mut simplex[1..] {
                    corner.0 = std::array::from_fn(|i| best[i] + 0.5 * (corner.0[i] - best[i]));
                    corner.1 = objective(&corner.0);
                }
                used += N;
            }
        }
    }
    simplex.sort_by(|a, b| a.1.total_cmp(&b.1));
    simplex[0].0
}
