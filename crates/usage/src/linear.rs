//! Dense symmetric positive definite systems, small (some hundred unknowns).
//!
//! Row-major squares. Written out here because the curve's fit is the only user and needs three
//! operations; a matrix library would be the larger part of the build.

/// Lower Cholesky factor of a symmetric positive definite `n × n` matrix, of which only the lower
/// triangle is read. A pivot that rounding has made tiny or negative is raised to a small share of
/// the diagonal it came from, so that the factor always exists and is finite for finite input.
pub(crate) fn cholesky(matrix: &[f64], n: usize) -> Vec<f64> {
    debug_assert_eq!(matrix.len(), n * n);
    let mut factor = vec![0.0; n * n];
    for i in 0..n {
        for j in 0..=i {
            let (row_i, row_j) = (&factor[i * n..i * n + j], &factor[j * n..j * n + j]);
            let left = matrix[i * n + j] - dot(row_i, row_j);
            factor[i * n + j] = if i == j {
                left.max(1e-12 * matrix[i * n + i].abs()).max(1e-300).sqrt()
            } else {
                left / factor[j * n + j]
            };
        }
    }
    factor
}

/// Inverse of the matrix whose lower Cholesky factor is given. `O(n³)`.
pub(crate) fn inverse(factor: &[f64], n: usize) -> Vec<f64> {
    let lower = inverse_lower(factor, n);
    let mut inverse = vec![0.0; n * n];
    // A⁻¹ = L⁻ᵀ L⁻¹: sum of outer products of the rows of L⁻¹, each with i + 1 entries.
    for k in 0..n {
        let row = &lower[k * n..k * n + k + 1];
        for (i, &a) in row.iter().enumerate() {
            let target = &mut inverse[i * n..i * n + i + 1];
            for (slot, &b) in target.iter_mut().zip(row) {
                *slot += a * b;
            }
        }
    }
    for i in 0..n {
        for j in 0..i {
            inverse[j * n + i] = inverse[i * n + j];
        }
    }
    inverse
}

fn inverse_lower(factor: &[f64], n: usize) -> Vec<f64> {
    let mut lower = vec![0.0; n * n];
    let mut row = vec![0.0; n];
    for i in 0..n {
        row[..=i].fill(0.0);
        for k in 0..i {
            let weight = factor[i * n + k];
            if weight != 0.0 {
                for (slot, &above) in row[..=k].iter_mut().zip(&lower[k * n..=k * n + k]) {
                    *slot -= weight * above;
                }
            }
        }
        row[i] = 1.0;
        let pivot = factor[i * n + i];
        for (slot, &value) in lower[i * n..=i * n + i].iter_mut().zip(&row[..=i]) {
            *slot = value / pivot;
        }
    }
    lower
}

/// `matrix · vector` for a full square matrix.
pub(crate) fn times(matrix: &[f64], vector: &[f64]) -> Vec<f64> {
    matrix.chunks_exact(vector.len()).map(|row| dot(row, vector)).collect()
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    sum_over(a, b, |x, y| x * y)
}

/// Sum over two slices of one length, in eight running sums, which a processor adds side by side.
#[inline]
pub(crate) fn sum_over(a: &[f64], b: &[f64], part: impl Fn(f64, f64) -> f64) -> f64 {
    const LANES: usize = 8;
    let (a, a_rest) = a.as_chunks::<LANES>();
    let (b, b_rest) = b.as_chunks::<LANES>();
    let mut sums = [0.0; LANES];
    for (x, y) in a.iter().zip(b) {
        for lane in 0..LANES {
            sums[lane] += part(x[lane], y[lane]);
        }
    }
    let rest: f64 = a_rest.iter().zip(b_rest).map(|(&x, &y)| part(x, y)).sum();
    sums.iter().sum::<f64>() + rest
}

#[cfg(test)]
mod tests {
    use super::{cholesky, dot, inverse, times};

    #[test]
    fn inverse_times_matrix_is_one() {
        let matrix = [4.0, 1.0, 0.5, 1.0, 3.0, -0.2, 0.5, -0.2, 2.0];
        let inverse = inverse(&cholesky(&matrix, 3), 3);
        for column in 0..3 {
            let unit: Vec<f64> = (0..3).map(|row| matrix[row * 3 + column]).collect();
            for (row, value) in times(&inverse, &unit).into_iter().enumerate() {
                let expected = if row == column { 1.0 } else { 0.0 };
                assert!((value - expected).abs() < 1e-12, "{row} {column} {value}");
            }
        }
    }

    #[test]
    fn a_dot_product_takes_every_entry_once() {
        for length in 0..20_u32 {
            let a: Vec<f64> = (1..=length).map(f64::from).collect();
            // Squares of 1 to n: n (n + 1) (2n + 1) / 6.
            assert_eq!(dot(&a, &a), f64::from(length * (length + 1) * (2 * length + 1) / 6));
        }
    }

    #[test]
    fn a_singular_matrix_still_has_a_finite_factor() {
        let factor = cholesky(&[1.0, 1.0, 1.0, 1.0], 2);
        assert!(inverse(&factor, 2).iter().all(|value| value.is_finite()));
    }
}
