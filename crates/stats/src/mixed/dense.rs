//! Cholesky factor of a large dense matrix, block by block (Golub & Van Loan 2013, section 4.2.6): most
//! of the work is in products of matrices, which the library does in the core's own cache.

use nalgebra::{Cholesky, DMatrix};

/// Columns taken together.
const BLOCK: usize = 64;

/// Overwrites the lower triangle by the factor L of A = L L'; None where A is not positive.
///
/// Only the lower triangle is read; what stands above the diagonal afterwards means nothing.
pub(super) fn factorise(a: &mut DMatrix<f64>) -> Option<()> {
    let n = a.nrows();
    for start in (0..n).step_by(BLOCK) {
        let width = BLOCK.min(n - start);
        let below = start + width;
        let n_below = n - below;
        let corner = Cholesky::new(a.view((start, start), (width, width)).into_owned())?.unpack();
        if !corner.diagonal().iter().all(|pivot| pivot.is_finite()) {
            return None;
        }
        a.view_mut((start, start), (width, width))
            .copy_from(&corner);
        // L21 L11' = A21.
        let mut panel = a.view((below, start), (n_below, width)).transpose();
        corner
            .solve_lower_triangular_mut(&mut panel)
            .then_some(())?;
        let left = panel.transpose();
        a.view_mut((below, start), (n_below, width))
            .copy_from(&left);
        for first in (0..n_below).step_by(BLOCK) {
            let n_columns = BLOCK.min(n_below - first);
            let mut rest = a.view_mut((below + first, below + first), (n_below - first, n_columns));
            rest.gemm(
                -1.0,
                &left.rows(first, n_below - first),
                &panel.columns(first, n_columns),
                1.0,
            );
        }
    }
    Some(())
}

/// Inverse of A from its factor L (the lower triangle of `l`), the whole symmetric matrix.
///
/// From the last block of columns to the first (Takahashi, Fagan & Chen 1973, in blocks): with Z what is known of
/// the inverse below and right of a block, Z21 = −Z22 L21 L11⁻¹ and Z11 = (L11⁻ᵀ − Z21ᵀ L21) L11⁻¹.
pub(super) fn inverse(l: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let n = l.nrows();
    let mut z = DMatrix::zeros(n, n);
    for start in (0..n).step_by(BLOCK).rev() {
        let width = BLOCK.min(n - start);
        let below = start + width;
        let n_below = n - below;
        let corner = l.view((start, start), (width, width));
        // L11⁻¹, whose part above the diagonal is zero.
        let mut root = DMatrix::identity(width, width);
        corner.solve_lower_triangular_mut(&mut root).then_some(())?;
        let panel = l.view((below, start), (n_below, width)) * &root;
        let mut left = DMatrix::zeros(n_below, width);
        left.gemm(
            -1.0,
            &z.view((below, below), (n_below, n_below)),
            &panel,
            0.0,
        );
        let mut top = root.tr_mul(&root);
        top.gemm(-1.0, &left.transpose(), &panel, 1.0);
        z.view_mut((start, start), (width, width)).copy_from(&top);
        z.view_mut((start, below), (width, n_below))
            .copy_from(&left.transpose());
        z.view_mut((below, start), (n_below, width))
            .copy_from(&left);
    }
    Some(z)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rng;

    #[test]
    fn agrees_with_the_library_at_every_size_about_a_block() {
        let mut noise = rng::seeded(8, "dense");
        for n in [1, 2, 63, 64, 65, 130, 200] {
            let root = DMatrix::from_fn(n, n, |_, _| rng::standard_normal(&mut noise));
            let a = &root * root.transpose() + DMatrix::identity(n, n);
            let mut found = a.clone();
            // What stands above the diagonal is not read.
            found.fill_upper_triangle(f64::NAN, 1);
            factorise(&mut found).unwrap();
            let library = Cholesky::new(a).unwrap();
            let z = inverse(&found).unwrap();
            let off = (z - library.inverse()).abs().max();
            assert!(off < 1e-9, "{n}: {off}");
            let wanted = library.l();
            for j in 0..n {
                for i in j..n {
                    assert!((found[(i, j)] - wanted[(i, j)]).abs() < 1e-9, "{n} {i} {j}");
                }
            }
        }
    }

    #[test]
    fn a_matrix_that_is_not_positive_has_no_factor() {
        let mut a = DMatrix::identity(100, 100);
        a[(90, 90)] = -1.0;
        assert!(factorise(&mut a).is_none());
        a[(90, 90)] = f64::NAN;
        assert!(factorise(&mut a).is_none());
    }
}
