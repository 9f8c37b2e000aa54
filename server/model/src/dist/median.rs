//! The middle of some values.

/// The middle value; the mean of the two middle ones of an even number, in the values' unit. `None` without any.
#[must_use]
pub fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    let upper = *values.get(values.len() / 2)?;
    let lower = *values.get(values.len().saturating_sub(1) / 2)?;
    Some((lower + upper) / 2.0)
}

#[cfg(test)]
mod tests {
    use super::median;

    #[test]
    fn the_middle_by_hand() {
        assert_eq!(median(vec![3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(vec![4.0, 1.0, 2.0, 3.0]), Some(2.5));
        assert_eq!(median(Vec::new()), None);
    }
}
