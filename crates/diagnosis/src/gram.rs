//! Jᵀ J of rows that are scaled already.

use nalgebra::DMatrix;

/// Rows taken together, so that what is summed is loaded and stored once for all of them.
const TOGETHER: usize = 4;

/// Jᵀ J of the rows of so many columns in `rows`, both triangles.
pub(crate) fn gram(columns: usize, rows: &[f64]) -> DMatrix<f64> {
    let n = columns;
    let mut sums = vec![0.0; n * n];
    for block in rows.chunks(TOGETHER * n.max(1)) {
        let mut padded = [&[] as &[f64]; TOGETHER];
        for (slot, row) in padded.iter_mut().zip(block.chunks_exact(n)) {
            *slot = row;
        }
        if block.len() == TOGETHER * n {
            four(n, padded, &mut sums);
        } else {
            block.chunks_exact(n).for_each(|row| one(n, row, &mut sums));
        }
    }
    for c in 0..n {
        for other in 0..c {
            sums[c * n + other] = sums[other * n + c];
        }
    }
    DMatrix::from_vec(n, n, sums)
}

fn four(n: usize, [p, q, r, s]: [&[f64]; TOGETHER], sums: &mut [f64]) {
    for c in 0..n {
        let (a, b, d, e) = (p[c], q[c], r[c], s[c]);
        if a == 0.0 && b == 0.0 && d == 0.0 && e == 0.0 {
            continue;
        }
        let columns = p[c..].iter().zip(&q[c..]).zip(&r[c..]).zip(&s[c..]);
        for (sum, (((w, x), y), z)) in sums[c * n + c..(c + 1) * n].iter_mut().zip(columns) {
            *sum += a * w + b * x + d * y + e * z;
        }
    }
}

fn one(n: usize, row: &[f64], sums: &mut [f64]) {
    for c in 0..n {
        for (sum, x) in sums[c * n + c..(c + 1) * n].iter_mut().zip(&row[c..]) {
            *sum += row[c] * x;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_are_those_of_the_definition_for_any_number_of_rows() {
        for count in [1, 3, 4, 7, 8] {
            let rows: Vec<f64> = (0..count * 3).map(|k| f64::from(k as u8).sin()).collect();
            let gram = gram(3, &rows);
            for (a, b) in [(0, 0), (0, 2), (2, 1)] {
                let plain: f64 = rows.chunks(3).map(|row| row[a] * row[b]).sum();
                assert!((gram[(a, b)] - plain).abs() < 1e-14);
            }
        }
    }
}
