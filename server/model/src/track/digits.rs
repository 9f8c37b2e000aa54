//! Slips of the hand: what could have been meant by a number that somebody typed.

/// Ten to this power is beyond any odometer.
const LONGEST: usize = 9;

/// The decimal digits of a number, most significant first; `None` when it has more than nine.
pub(super) fn digits(number: u64) -> Option<Vec<u8>> {
    let mut rest = number;
    let mut digits = Vec::with_capacity(LONGEST);
    while rest > 0 {
        digits.push((rest % 10) as u8);
        rest /= 10;
    }
    digits.reverse();
    (digits.len() <= LONGEST).then_some(digits)
}

fn number(digits: impl IntoIterator<Item = u8>) -> u64 {
    digits.into_iter().fold(0, |number, digit| number * 10 + u64::from(digit))
}

/// The numbers from which `digits` come by leaving one digit out.
pub(super) fn with_one_more(digits: &[u8]) -> impl Iterator<Item = u64> {
    (0..=digits.len()).flat_map(move |place| {
        (0..10).filter(move |digit| place > 0 || *digit > 0).map(move |digit| {
            let (before, after) = digits.split_at(place);
            number(before.iter().copied().chain([digit]).chain(after.iter().copied()))
        })
    })
}

/// The numbers from which `digits` come by one digit too many.
pub(super) fn with_one_less(digits: &[u8]) -> impl Iterator<Item = u64> {
    (0..digits.len()).map(move |place| {
        let others = digits.iter().enumerate().filter(move |(other, _)| *other != place);
        number(others.map(|(_, digit)| *digit))
    })
}

/// The numbers from which `digits` come by swapping two neighbours that differ.
pub(super) fn with_neighbours_swapped(digits: &[u8]) -> impl Iterator<Item = u64> {
    (1..digits.len()).filter_map(move |place| {
        let mut swapped = digits.to_vec();
        swapped.swap(place - 1, place);
        (swapped != digits && swapped.first() != Some(&0)).then(|| number(swapped))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_could_have_been_meant() {
        let typed = digits(1204).unwrap();
        assert_eq!(with_neighbours_swapped(&typed).collect::<Vec<_>>(), [2104, 1024, 1240]);
        assert_eq!(with_one_less(&typed).collect::<Vec<_>>(), [204, 104, 124, 120]);
        let more: Vec<_> = with_one_more(&typed).collect();
        assert_eq!(more.len(), 9 + 4 * 10);
        for meant in [91_204, 10_204, 12_504, 12_040, 12_049] {
            assert!(more.contains(&meant), "{meant}");
        }
        assert_eq!(digits(0), Some(vec![]));
        assert_eq!(digits(1_000_000_000), None);
    }
}
