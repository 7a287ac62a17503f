//! What kind of demand a part has, by how often and how evenly it is asked for.

use serde::{Deserialize, Serialize};

/// Mean interval above which demand counts as intermittent, in months.
pub const INTERVAL_CUT: f64 = 1.32;
/// Squared coefficient of variation of sizes above which they count as uneven.
pub const SIZE_CUT: f64 = 0.49;

/// Pattern of demand. Shown beside a forecast, never obeyed: the backtest chooses.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DemandPattern {
    /// Often, in like sizes.
    Smooth,
    /// Often, in uneven sizes.
    Erratic,
    /// Seldom, in like sizes.
    Intermittent,
    /// Seldom, in uneven sizes.
    Lumpy,
    /// Never asked for yet.
    None,
}

impl DemandPattern {
    /// Number of patterns.
    pub const COUNT: usize = 5;

    /// Place in tables by pattern.
    pub const fn index(self) -> usize {
        self as usize
    }

    /// The word for pages and files.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Smooth => "smooth",
            Self::Erratic => "erratic",
            Self::Intermittent => "intermittent",
            Self::Lumpy => "lumpy",
            Self::None => "no demand yet",
        }
    }
}

/// The two figures a pattern is read from.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Classification {
    pub pattern: DemandPattern,
    /// Months per month with demand; `None` without demand.
    pub mean_interval: Option<f64>,
    /// Squared coefficient of variation of the positive quantities; `None` without demand.
    pub size_cv2: Option<f64>,
}

/// Classifies `quantities` by mean interval and squared coefficient of variation of sizes.
///
/// ```text
/// mean interval = months / months with demand; CV² = variance of sizes / mean size²
/// ```
///
/// Variance over n (one size: 0). Cuts 1.32 and 0.49: Syntetos, Boylan and Croston (2005), J. of
/// the Operational Research Society 56, 495-503. Which side a figure on the cut belongs to is not
/// said there; here it counts as the easier one.
pub fn classify(quantities: &[f64]) -> Classification {
    let sizes: Vec<f64> = quantities.iter().copied().filter(|&quantity| quantity > 0.0).collect();
    if sizes.is_empty() {
        let pattern = DemandPattern::None;
        return Classification { pattern, mean_interval: None, size_cv2: None };
    }
    let count = sizes.len() as f64;
    let mean_interval = quantities.len() as f64 / count;
    let mean = sizes.iter().sum::<f64>() / count;
    let variance = sizes.iter().map(|size| (size - mean).powi(2)).sum::<f64>() / count;
    let size_cv2 = variance / (mean * mean);
    let pattern = match (mean_interval > INTERVAL_CUT, size_cv2 > SIZE_CUT) {
        (false, false) => DemandPattern::Smooth,
        (false, true) => DemandPattern::Erratic,
        (true, false) => DemandPattern::Intermittent,
        (true, true) => DemandPattern::Lumpy,
    };
    Classification { pattern, mean_interval: Some(mean_interval), size_cv2: Some(size_cv2) }
}

#[cfg(test)]
mod tests {
    use super::{DemandPattern, classify};

    #[test]
    fn each_quadrant_has_its_pattern() {
        let cases = [
            (vec![4.0, 5.0, 4.0, 6.0], DemandPattern::Smooth),
            (vec![1.0, 9.0, 1.0, 20.0], DemandPattern::Erratic),
            (vec![0.0, 3.0, 0.0, 3.0], DemandPattern::Intermittent),
            (vec![0.0, 1.0, 0.0, 12.0, 0.0, 1.0], DemandPattern::Lumpy),
            (vec![0.0, 0.0], DemandPattern::None),
        ];
        for (quantities, expected) in cases {
            assert_eq!(classify(&quantities).pattern, expected, "{quantities:?}");
        }
    }
}
