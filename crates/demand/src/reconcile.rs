//! Totals that agree: sites with the fleet, parts with their sums.
//!
//! Every total is a sum of paths, path by path, so that in each possible future the sites add up
//! to the fleet exactly, and so do means. A sparse part is forecast for the fleet, where there is
//! more to learn from, and split over its sites by their shares (top-down); what is known by site,
//! as planned work is, is added up (bottom-up). Athanasopoulos, Ahmed and Hyndman (2009), Int. J.
//! of Forecasting 25, 146-166.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::error::DemandError;
use crate::paths::SamplePaths;

/// Paths of a total: the sum of `members`, path by path. `None` without members; all must have
/// one shape.
pub fn sum_paths<'a>(members: impl IntoIterator<Item = &'a SamplePaths>) -> Option<SamplePaths> {
    let mut members = members.into_iter();
    let mut total = members.next()?.clone();
    members.for_each(|member| total.add(member));
    Some(total)
}

/// Splits a fleet's paths over its sites by `weights`, such as what each asked for lately.
///
/// Whole pieces go to a site each by its share (multinomial); what is left of a piece is divided.
/// Path by path the sites' sum is the fleet's. Weights all zero count as equal.
///
/// # Errors
/// No site, or a weight that is below zero or not a number.
pub fn split_by_weight(
    fleet: &SamplePaths,
    weights: &[f64],
    seed: u64,
) -> Result<Vec<SamplePaths>, DemandError> {
    if let Some(&given) = weights.iter().find(|weight| !weight.is_finite() || **weight < 0.0) {
        return Err(DemandError::Probability { what: "share of a site".to_owned(), given });
    }
    if weights.is_empty() {
        return Err(DemandError::Place { what: "site", given: 0, count: 0 });
    }
    let total: f64 = weights.iter().sum();
    let shares: Vec<f64> = if total > 0.0 {
        weights.iter().map(|weight| weight / total).collect()
    } else {
        vec![1.0 / weights.len() as f64; weights.len()]
    };
    let mut sites = vec![vec![0.0_f32; fleet.values().len()]; weights.len()];
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    for (place, &quantity) in fleet.values().iter().enumerate() {
        // Many pieces are divided at once: what chance adds there is small beside their number.
        if quantity > PIECES_MAX || quantity.fract() != 0.0 {
            divide(&mut sites, place, quantity, &shares);
            continue;
        }
        for _ in 0..quantity as usize {
            let mut left: f64 = random.random();
            let site = shares.iter().position(|share| {
                left -= share;
                left < 0.0
            });
            sites[site.unwrap_or(0)][place] += 1.0;
        }
    }
    Ok(sites.into_iter().map(|values| SamplePaths::new(fleet.months(), values)).collect())
}

/// Pieces drawn one by one, at most.
const PIECES_MAX: f32 = 64.0;

/// Divides `quantity` by shares; whole where it is whole, the rest going to the largest share.
fn divide(sites: &mut [Vec<f32>], place: usize, quantity: f32, shares: &[f64]) {
    let whole = quantity.fract() == 0.0;
    let mut left = quantity;
    let mut largest = 0;
    for (site, share) in shares.iter().enumerate() {
        let exact = (f64::from(quantity) * share) as f32;
        let given = if whole { exact.floor() } else { exact }.min(left);
        sites[site][place] = given;
        left -= given;
        if *share > shares[largest] {
            largest = site;
        }
    }
    sites[largest][place] += left.max(0.0);
}

#[cfg(test)]
mod tests {
    use super::{split_by_weight, sum_paths};
    use crate::paths::SamplePaths;

    #[test]
    fn sites_add_up_to_the_fleet_in_every_path() {
        let fleet = SamplePaths::new(2, vec![3.0, 0.0, 7.0, 1.0, 900.0, 0.5]);
        let sites = split_by_weight(&fleet, &[1.0, 3.0, 0.0], 1).unwrap();
        assert_eq!(sum_paths(&sites).unwrap(), fleet);
        assert!(sites[2].values().iter().all(|value| *value == 0.0));
        assert_eq!(sites[0].values()[4], 225.0);
    }

    #[test]
    fn shares_are_kept_on_average() {
        let fleet = SamplePaths::new(1, vec![4.0; 2_000]);
        let sites = split_by_weight(&fleet, &[1.0, 3.0], 1).unwrap();
        // Three standard errors of 8,000 pieces.
        assert!((sites[0].mean(0) - 1.0).abs() < 0.06, "{}", sites[0].mean(0));
    }

    #[test]
    fn a_negative_share_and_no_site_are_refused() {
        let fleet = SamplePaths::new(1, vec![4.0]);
        let rule = |weights: &[f64]| split_by_weight(&fleet, weights, 1).map_err(|e| e.rule());
        assert_eq!(rule(&[-1.0]).err(), Some("probability-range"));
        assert_eq!(rule(&[]).err(), Some("place-missing"));
        assert_eq!(rule(&[0.0, 0.0]).map(|sites| sites.len()), Ok(2));
    }
}
