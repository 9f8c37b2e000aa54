//! Trouble codes: their spelling, and what the ones about a pack and its cooling say.

use std::fmt;

use super::Kind;
use super::fault::FieldFault;

/// A trouble code as SAE J2012 / ISO 15031-6 spell it: a letter, a digit from 0 to 3 and three hexadecimal digits, such
/// as `P0A80`; with a failure type byte where one was sent, as in `P0A80-00`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Code {
    number: u16,
    failure_type: Option<u8>,
}

/// Letters by their two bits: powertrain, chassis, body, network.
const LETTERS: [char; 4] = ['P', 'C', 'B', 'U'];

impl Code {
    /// Reads a code; small letters are raised, white space around it is dropped.
    ///
    /// # Errors
    /// [`FieldFault`] when the text is no code.
    pub fn parse(text: &str) -> Result<Self, FieldFault> {
        Self::read(&text.trim().to_ascii_uppercase()).ok_or_else(|| FieldFault {
            field: "code",
            value: text.to_owned(),
            right:
                "a letter of P, C, B, U, a digit from 0 to 3 and three hexadecimal digits, such as P0A80, and where \
                    there is one a failure type byte, such as P0A80-00"
                    .to_owned(),
        })
    }

    fn read(text: &str) -> Option<Self> {
        let (code, failure_type) = match text.split_once('-') {
            Some((code, byte)) => (code, Some(u8::try_from(hexadecimal(byte, 2)?).ok()?)),
            None => (text, None),
        };
        let mut rest = code.chars();
        let first = rest.next()?;
        let letter = LETTERS.iter().position(|letter| *letter == first)?;
        let digits = hexadecimal(rest.as_str(), 4)?;
        let number = (digits < 0x4000).then_some((letter as u16) << 14 | digits)?;
        Some(Self { number, failure_type })
    }

    /// The code that two bytes on the wire stand for.
    #[must_use]
    pub const fn from_bytes(bytes: [u8; 2]) -> Self {
        Self { number: u16::from_be_bytes(bytes), failure_type: None }
    }

    /// The two bytes that stand for the code, without its failure type.
    #[must_use]
    pub const fn to_bytes(self) -> [u8; 2] {
        self.number.to_be_bytes()
    }

    /// The failure type byte, where one was sent.
    #[must_use]
    pub const fn failure_type(self) -> Option<u8> {
        self.failure_type
    }

    /// The code without its failure type.
    #[must_use]
    pub const fn base(self) -> Self {
        Self { failure_type: None, ..self }
    }

    /// What the code says, where it is one about a pack or its cooling.
    #[must_use]
    pub const fn meaning(self) -> Option<&'static Meaning> {
        Some(match self.number {
            0x0A7E => &TOO_HOT,
            0x0A7F => &DETERIORATING,
            0x0A80 => &TO_BE_REPLACED,
            0x0A82 => &BLOCKED,
            0x0A81 | 0x0A83..=0x0A85 | 0x0A96 => &FAN,
            0x0A95 => &FUSE,
            0x0A9B..=0x0A9E => &SENSOR,
            0x0AA6 => &ISOLATION,
            0x0BBD => &SPREAD,
            0x3011..=0x3029 => &WEAK_BLOCK,
            _ => return None,
        })
    }

    /// Whether a dirty or blocked fan can set the code too, so that the cooling is checked before the pack is judged
    /// (common practice, no published source).
    #[must_use]
    pub const fn cooling_first(self) -> bool {
        matches!(self.number, 0x0A7F | 0x0A80)
    }

    /// The block, counted from one, that a code of the maker's range names: P3011 the first, P3020 the tenth (from
    /// memory). Its digits are decimal ones.
    #[must_use]
    pub fn weak_block(self) -> Option<u16> {
        let (tens, ones) = (self.number >> 4 & 0xF, self.number & 0xF);
        (self.meaning() == Some(&WEAK_BLOCK) && ones < 10).then(|| (tens - 1) * 10 + ones)
    }
}

/// `text` as exactly so many hexadecimal digits.
fn hexadecimal(text: &str, digits: usize) -> Option<u16> {
    let fits = text.len() == digits && text.bytes().all(|digit| digit.is_ascii_hexdigit());
    fits.then(|| u16::from_str_radix(text, 16).ok()).flatten()
}

impl fmt::Display for Code {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let letter = LETTERS.get(usize::from(self.number >> 14)).unwrap_or(&'P');
        write!(out, "{letter}{:04X}", self.number & 0x3FFF)?;
        self.failure_type.map_or(Ok(()), |byte| write!(out, "-{byte:02X}"))
    }
}

/// The way of failing that a code speaks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Mode {
    /// Blocks wear out.
    BlockWear,
    /// The pack is not cooled as it should be.
    Cooling,
    /// What is measured of the pack is not to be trusted.
    Sensing,
    /// The high voltage is not kept apart from the body.
    Isolation,
    /// The high-voltage fuse.
    Fuse,
}

impl Mode {
    /// The mode's name in answers.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::BlockWear => "block-wear",
            Self::Cooling => "cooling",
            Self::Sensing => "sensing",
            Self::Isolation => "isolation",
            Self::Fuse => "fuse",
        }
    }
}

/// How much a code proves.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Strength {
    /// One sign among others.
    Sign,
    /// Enough to act on.
    Strong,
}

/// What a code says, in our own words, and what to make of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Meaning {
    /// The way of failing it speaks for.
    pub mode: Mode,
    /// How much it proves (common practice, no published source).
    pub strength: Strength,
    /// Whether it takes two trips to set: until then its absence proves nothing.
    pub two_trips: bool,
    /// Whether a car with it is stopped at once; its absence too is believed only after two trips.
    pub stops: bool,
    /// What it says.
    pub says: &'static str,
    /// What to do about it.
    pub todo: &'static str,
}

impl Meaning {
    /// The job it calls for while it is confirmed.
    #[must_use]
    pub const fn calls_for(&self) -> Kind {
        match self.mode {
            Mode::Cooling => Kind::CoolingCheck,
            _ => Kind::PackAssessment,
        }
    }
}

const TOO_HOT: Meaning = Meaning {
    mode: Mode::Cooling,
    strength: Strength::Strong,
    two_trips: false,
    stops: true,
    says: "the pack is too hot",
    todo: "look at the cooling now",
};

const DETERIORATING: Meaning = Meaning {
    mode: Mode::BlockWear,
    strength: Strength::Strong,
    two_trips: true,
    stops: false,
    says: "the pack has deteriorated",
    todo: "check the cooling first: a dirty or blocked fan can set this too; then assess the pack",
};

const TO_BE_REPLACED: Meaning = Meaning {
    mode: Mode::BlockWear,
    strength: Strength::Strong,
    two_trips: true,
    stops: false,
    says: "the car asks for another pack",
    todo: "check the cooling first: a dirty or blocked fan can set this too; then assess the pack. After a clear it needs \
           two trips and about ten minutes of driving to come back",
};

const BLOCKED: Meaning = Meaning {
    mode: Mode::Cooling,
    strength: Strength::Strong,
    two_trips: false,
    stops: false,
    says: "the cooling fan does not perform",
    todo: "look at the cooling: a blockage is the first suspect",
};

const FAN: Meaning = Meaning {
    mode: Mode::Cooling,
    strength: Strength::Sign,
    two_trips: false,
    stops: false,
    says: "the cooling fan's circuit or performance is at fault",
    todo: "look at the cooling: fan, plug and wiring",
};

const FUSE: Meaning = Meaning {
    mode: Mode::Fuse,
    strength: Strength::Strong,
    two_trips: false,
    stops: false,
    says: "the high-voltage fuse is at fault",
    todo: "have the fuse and what blew it looked at by a qualified person",
};

const SENSOR: Meaning = Meaning {
    mode: Mode::Sensing,
    strength: Strength::Strong,
    two_trips: false,
    stops: false,
    says: "a temperature sensor of the pack is at fault",
    todo: "check the sensor before the pack",
};

const ISOLATION: Meaning = Meaning {
    mode: Mode::Isolation,
    strength: Strength::Strong,
    two_trips: false,
    stops: true,
    says: "the high voltage is not isolated from the body",
    todo: "do not touch: a qualified person only",
};

const SPREAD: Meaning = Meaning {
    mode: Mode::BlockWear,
    strength: Strength::Sign,
    two_trips: false,
    stops: false,
    says: "the blocks' voltages lie too far apart",
    todo: "assess the pack: a block or its sensing",
};

const WEAK_BLOCK: Meaning = Meaning {
    mode: Mode::BlockWear,
    strength: Strength::Strong,
    two_trips: false,
    stops: false,
    says: "one block is weak (a maker's own code)",
    todo: "assess the pack, the named block first",
};

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[track_caller]
    fn code(text: &str) -> Code {
        Code::parse(text).unwrap()
    }

    #[test]
    fn two_bytes_by_hand() {
        // Letter in the top two bits, first digit in the next two, then three nibbles (SAE J2012).
        let pairs = [
            ("P0A80", [0x0A, 0x80]),
            ("P0A7F", [0x0A, 0x7F]),
            ("P3011", [0x30, 0x11]),
            ("C0035", [0x40, 0x35]),
            ("B1234", [0x92, 0x34]),
            ("U0100", [0xC1, 0x00]),
            ("U11C4", [0xD1, 0xC4]),
        ];
        for (text, bytes) in pairs {
            assert_eq!(code(text).to_bytes(), bytes, "{text}");
            assert_eq!(Code::from_bytes(bytes).to_string(), text);
        }
    }

    #[test]
    fn what_a_dirty_fan_can_set() {
        for (text, cooling_first) in
            [("P0A80", true), ("P0A80-1F", true), ("P0A7F", true), ("P3011", false), ("P0A82", false)]
        {
            assert_eq!(code(text).cooling_first(), cooling_first, "{text}");
            let told = code(text).meaning().unwrap().todo.contains("cooling first");
            assert_eq!(told, cooling_first, "{text}");
        }
    }

    #[test]
    fn spelling() {
        assert_eq!(code(" p0a80 ").to_string(), "P0A80");
        assert_eq!(code("p0a80-1f").to_string(), "P0A80-1F");
        assert_eq!(code("P0A80-00").failure_type(), Some(0));
        assert_eq!(code("P0A80-00").base(), code("P0A80"));
        for text in
            ["", "P", "P0A8", "P0A800", "X0A80", "P4A80", "P0A8G", "P0A80-", "P0A80-0", "P0A80-000", "P+A80", "P0A8é"]
        {
            assert!(Code::parse(text).is_err(), "{text}");
        }
        let fault = Code::parse("P4A80").unwrap_err().to_string();
        assert!(
            fault.starts_with("code must be a letter of P, C, B, U") && fault.ends_with("not \"P4A80\""),
            "{fault}"
        );
    }

    #[test]
    fn what_each_listed_code_speaks_for() {
        let modes = [
            ("P0A7E", Mode::Cooling),
            ("P0A7F", Mode::BlockWear),
            ("P0A80", Mode::BlockWear),
            ("P0A81", Mode::Cooling),
            ("P0A82", Mode::Cooling),
            ("P0A85", Mode::Cooling),
            ("P0A96", Mode::Cooling),
            ("P0A95", Mode::Fuse),
            ("P0A9B", Mode::Sensing),
            ("P0A9E", Mode::Sensing),
            ("P0AA6", Mode::Isolation),
            ("P0BBD", Mode::BlockWear),
            ("P3011", Mode::BlockWear),
            ("P3029", Mode::BlockWear),
        ];
        for (text, mode) in modes {
            let meaning = code(text).meaning().unwrap();
            assert_eq!(meaning.mode, mode, "{text}");
            assert_eq!(meaning.two_trips, ["P0A7F", "P0A80"].contains(&text), "{text}");
        }
        for text in ["P0A86", "P0A9A", "P0A9F", "P3010", "P302A", "C0A80", "U0100"] {
            assert_eq!(code(text).meaning(), None, "{text}");
        }
        assert_eq!(code("P0A80-00").meaning(), code("P0A80").meaning());
    }

    #[test]
    fn the_maker_range_names_a_block() {
        let blocks =
            [("P3011", Some(1)), ("P3019", Some(9)), ("P3020", Some(10)), ("P3029", Some(19)), ("P301A", None)];
        for (text, block) in blocks {
            assert_eq!(code(text).weak_block(), block, "{text}");
        }
        assert_eq!(code("P0A80").weak_block(), None);
    }

    proptest! {
        #[test]
        fn every_pair_of_bytes_is_a_code(bytes in prop::array::uniform2(0_u8..), failure_type in prop::option::of(0_u8..)) {
            let code = Code { failure_type, ..Code::from_bytes(bytes) };
            prop_assert_eq!(Code::parse(&code.to_string()), Ok(code));
            let _ = (code.meaning(), code.weak_block());
        }

        #[test]
        fn any_text_is_a_code_or_a_fault(text in "\\PC{0,10}") {
            let _ = Code::parse(&text);
        }
    }
}
