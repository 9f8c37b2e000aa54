//! Vehicle identification numbers.

use std::fmt;

/// A vehicle identification number: 17 characters, upper case, without I, O and Q.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Vin(String);

/// Why a text is no VIN.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum VinFault {
    /// Not 17 characters; holds the count found.
    Length(usize),
    /// A character that no VIN may hold.
    Character(char),
}

impl fmt::Display for VinFault {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Length(found) => write!(out, "a VIN has 17 characters, this has {found}"),
            Self::Character(found) => {
                write!(out, "a VIN holds digits and capital letters other than I, O and Q, not {found:?}")
            }
        }
    }
}

/// Weights of the 17 positions, 49 CFR 565.15 table V.
const WEIGHTS: [u32; 17] = [8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2];

/// Place of the check digit, counted from zero.
const CHECK_POSITION: usize = 8;

/// A character's value, 49 CFR 565.15 table IV.
fn value(letter: char) -> Option<u32> {
    Some(match letter {
        '0'..='9' => letter.to_digit(10)?,
        'A' | 'J' => 1,
        'B' | 'K' | 'S' => 2,
        'C' | 'L' | 'T' => 3,
        'D' | 'M' | 'U' => 4,
        'E' | 'N' | 'V' => 5,
        'F' | 'W' => 6,
        'G' | 'P' | 'X' => 7,
        'H' | 'Y' => 8,
        'R' | 'Z' => 9,
        _ => return None,
    })
}

impl Vin {
    /// Reads a VIN; small letters are raised. The check digit is not judged here: it binds in North America
    /// only, see [`Vin::has_right_check_digit`].
    ///
    /// # Errors
    /// [`VinFault`] when the length or a character is wrong.
    pub fn parse(text: &str) -> Result<Self, VinFault> {
        let vin = text.trim().to_ascii_uppercase();
        let length = vin.chars().count();
        if length != WEIGHTS.len() {
            return Err(VinFault::Length(length));
        }
        match vin.chars().find(|letter| value(*letter).is_none()) {
            Some(letter) => Err(VinFault::Character(letter)),
            None => Ok(Self(vin)),
        }
    }

    /// The 17 characters.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The check digit that the other characters call for: the weighted sum modulo 11, where 10 is `X`
    /// (49 CFR 565.15).
    #[must_use]
    pub fn check_digit(&self) -> char {
        let sum: u32 = self.0.chars().zip(WEIGHTS).map(|(letter, weight)| value(letter).unwrap_or(0) * weight).sum();
        char::from_digit(sum % 11, 10).unwrap_or('X')
    }

    /// Whether position 9 holds the check digit the rest calls for.
    #[must_use]
    pub fn has_right_check_digit(&self) -> bool {
        self.0.chars().nth(CHECK_POSITION) == Some(self.check_digit())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(vin: &str, digit: char) {
        let vin = Vin::parse(vin).unwrap();
        assert_eq!(vin.check_digit(), digit);
        assert!(vin.has_right_check_digit());
    }

    #[test]
    fn check_digits_of_49_cfr_565() {
        check("1G4AH59H45G118341", '4'); // the regulation's own example, 49 CFR 565.15
        check("1M8GDM9AXKP042788", 'X'); // widely quoted example of the remainder 10
        check("11111111111111111", '1'); // by hand: the weights sum to 89, 89 mod 11 = 1
        check("1m8gdm9axkp042788", 'X');
    }

    #[test]
    fn a_changed_character_is_found() {
        assert!(!Vin::parse("1G4AH59H55G118341").unwrap().has_right_check_digit());
    }

    #[test]
    fn what_is_no_vin_says_why() {
        assert_eq!(Vin::parse("1G4AH59H45G11834"), Err(VinFault::Length(16)));
        assert_eq!(Vin::parse("IG4AH59H45G118341"), Err(VinFault::Character('I')));
        assert_eq!(Vin::parse("1G4AH59H45G11834é"), Err(VinFault::Character('é')));
    }
}
