//! Small symmetric systems: a handful of unknowns.

/// A square matrix of few rows.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Square {
    side: usize,
    cells: Vec<f64>,
}

/// The lower factor of a positive definite matrix, `A = L L'`.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Lower(Square);

impl Square {
    pub(crate) fn zero(side: usize) -> Self {
        Self { side, cells: vec![0.0; side * side] }
    }

    pub(crate) const fn side(&self) -> usize {
        self.side
    }

    /// The cell, zero outside.
    pub(crate) fn at(&self, row: usize, column: usize) -> f64 {
        self.cells.get(row * self.side + column).copied().unwrap_or(0.0)
    }

    pub(crate) fn add(&mut self, row: usize, column: usize, term: f64) {
        if let Some(cell) = self.cells.get_mut(row * self.side + column) {
            *cell += term;
        }
    }

    pub(crate) fn set(&mut self, row: usize, column: usize, value: f64) {
        if let Some(cell) = self.cells.get_mut(row * self.side + column) {
            *cell = value;
        }
    }

    /// Adds the same term on both sides of the diagonal.
    pub(crate) fn add_both(&mut self, row: usize, column: usize, term: f64) {
        self.add(row, column, term);
        if row != column {
            self.add(column, row, term);
        }
    }

    /// Adds `factor v v'`.
    pub(crate) fn add_outer(&mut self, vector: &[f64], factor: f64) {
        for (row, one) in vector.iter().enumerate() {
            for (column, other) in vector.iter().enumerate() {
                self.add(row, column, factor * one * other);
            }
        }
    }

    /// The matrix times a vector.
    pub(crate) fn times(&self, vector: &[f64]) -> Vec<f64> {
        self.cells.chunks_exact(self.side.max(1)).map(|row| dot(row, vector)).collect()
    }

    /// Cholesky's factor, or the row at which the matrix stops being positive definite: where less than `least` of the
    /// diagonal's cell is left once the rows above are taken out.
    pub(crate) fn factor(&self, least: f64) -> Result<Lower, usize> {
        let mut lower = Self::zero(self.side);
        for row in 0..self.side {
            for column in 0..=row {
                let known: f64 = (0..column).map(|k| lower.at(row, k) * lower.at(column, k)).sum();
                let rest = self.at(row, column) - known;
                if row != column {
                    lower.set(row, column, rest / lower.at(column, column));
                } else if rest > least * self.at(row, row).abs() && rest.is_finite() {
                    lower.set(row, row, libm::sqrt(rest));
                } else {
                    return Err(row);
                }
            }
        }
        Ok(Lower(lower))
    }
}

impl Lower {
    /// Solves `A x = right`.
    pub(crate) fn solve(&self, right: &[f64]) -> Vec<f64> {
        let mut x = right.to_vec();
        for row in 0..self.0.side {
            let known: f64 = x.iter().take(row).enumerate().map(|(k, value)| self.0.at(row, k) * value).sum();
            self.divide(&mut x, row, known);
        }
        for row in (0..self.0.side).rev() {
            let known: f64 = x.iter().enumerate().skip(row + 1).map(|(k, value)| self.0.at(k, row) * value).sum();
            self.divide(&mut x, row, known);
        }
        x
    }

    fn divide(&self, x: &mut [f64], row: usize, known: f64) {
        if let Some(value) = x.get_mut(row) {
            *value = (*value - known) / self.0.at(row, row);
        }
    }

    /// The inverse of `A`.
    pub(crate) fn inverse(&self) -> Square {
        let mut inverse = Square::zero(self.0.side);
        for column in 0..self.0.side {
            for (row, value) in self.solve(&unit(self.0.side, column)).into_iter().enumerate() {
                inverse.set(row, column, value);
            }
        }
        inverse
    }
}

/// The vector that is 1 in one place and 0 elsewhere.
pub(crate) fn unit(side: usize, place: usize) -> Vec<f64> {
    (0..side).map(|k| if k == place { 1.0 } else { 0.0 }).collect()
}

pub(crate) fn dot(one: &[f64], other: &[f64]) -> f64 {
    one.iter().zip(other).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_system_is_solved() {
        let mut matrix = Square::zero(3);
        for vector in [[1.0, 2.0, 0.5], [0.0, 1.0, -1.0], [3.0, 0.0, 1.0]] {
            matrix.add_outer(&vector, 2.0);
        }
        let lower = matrix.factor(0.0).unwrap();
        let x = [0.5, -2.0, 4.0];
        for (found, expected) in lower.solve(&matrix.times(&x)).into_iter().zip(x) {
            assert!((found - expected).abs() < 1e-12, "{found} is not {expected}");
        }
        let inverse = lower.inverse();
        for row in 0..3 {
            let found = inverse.times(&matrix.times(&unit(3, row)));
            assert!(found.iter().zip(unit(3, row)).all(|(found, expected)| (found - expected).abs() < 1e-12));
        }
        matrix.set(1, 1, 0.0);
        assert_eq!(matrix.factor(0.0), Err(1));
    }
}
