//! The shape of a number as a column writes it, kept from row to row.
//!
//! Most columns are written with one format: the next number has its mark, its exponent and its end where
//! the last one had them. Where that holds, nothing needs to be searched, and the processor need not know
//! one number to begin with the next.

use crate::load::value::number::{Decimal, STEPS, ZEROS, digits_value, exact_quotient, others};

/// Digits that one word holds.
const WORD: usize = 8;
/// Digits of numbers that a double holds exactly.
const DIGITS_MOST: usize = 15;
/// `e+00`.
const NO_POWER: u32 = 0x3030_2b65;
/// Bytes of text that hold any number with a shape, and a word behind its last part.
const REACH: usize = 40;

/// The two shapes that a column's numbers have by turns: where zeros at the end are left away, every tenth number is shorter.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Shapes {
    usual: Shape,
    other: Shape,
    /// The last number was of the other shape.
    turned: bool,
}

impl Shapes {
    /// Reads a number of one of the shapes whose value one rounding gives, and the length of its cell.
    #[inline(always)]
    pub fn read(&mut self, text: &[u8]) -> Option<(Decimal, usize)> {
        let usual = self.usual.read(text);
        if usual.is_some() {
            self.turned = false;
            return usual;
        }
        let other = self.other.read(text)?;
        if self.turned {
            std::mem::swap(&mut self.usual, &mut self.other);
        }
        self.turned = !self.turned;
        Some(other)
    }

    /// Takes note of a cell of neither shape, with what parts it from the next.
    #[inline(never)]
    pub fn miss(&mut self, cell: &[u8], decimal_mark: u8) {
        let place = if self.usual.length == 0 {
            &mut self.usual
        } else {
            &mut self.other
        };
        *place = Shape::of(cell, decimal_mark).unwrap_or_default();
        self.turned = true;
    }
}

/// Where the parts of a cell stand, counted from behind the number's sign.
///
/// The digits fall into two words: the whole ones with what of the fraction is not in the lower word, and
/// the lower word with up to eight digits of the fraction.
#[derive(Debug, Clone, Copy, Default)]
struct Shape {
    /// Place of the byte behind the number, and that byte.
    length: u8,
    follower: u8,
    /// Place of the last byte of the cell, which parts it from the next, and that byte.
    end: u8,
    ender: u8,
    /// Place of the decimal mark, or of the follower, and which of them stands there.
    mark_at: u8,
    mark: u8,
    /// Shifts that leave the whole digits, and move them in front of those of the fraction.
    whole_shift: u8,
    whole_move: u8,
    /// Place of the fraction, and half the shift that leaves its digits in the upper word.
    upper_at: u8,
    upper_half_shift: u8,
    /// Place of the lower word, and the shift that leaves its digits.
    lower_at: u8,
    lower_shift: u8,
    /// Place of the exponent; 0 for none.
    exponent_at: u8,
    /// Digits of the fraction.
    decimals: i32,
    /// 10 to the number of digits in the lower word; 1 for none.
    lower_step: u64,
}

/// Eight bytes from a place, as digits.
#[inline(always)]
fn word(text: &[u8; REACH], at: u8) -> u64 {
    let at = usize::from(at & 31);
    let mut bytes = [0; WORD];
    bytes.copy_from_slice(&text[at..at + WORD]);
    u64::from_le_bytes(bytes) ^ ZEROS
}

#[inline(always)]
fn byte(text: &[u8; REACH], at: u8) -> u8 {
    text[usize::from(at & 31)]
}

/// The shift that leaves the first `digits` of a word.
fn shift(digits: usize) -> u8 {
    8 * (WORD - digits) as u8
}

impl Shape {
    /// Reads a number of just this shape whose value one rounding gives, and the length of its cell.
    #[inline(always)]
    fn read(&self, text: &[u8]) -> Option<(Decimal, usize)> {
        let text = text.first_chunk::<{ REACH + 1 }>()?;
        let negative = text[0] == b'-';
        let sign = usize::from(negative | (text[0] == b'+'));
        let text: &[u8; REACH] = text[sign..].first_chunk()?;
        if byte(text, self.length) != self.follower
            || byte(text, self.end) != self.ender
            || byte(text, self.mark_at) != self.mark
        {
            return None;
        }
        let whole = (word(text, 0) << self.whole_shift) >> self.whole_move;
        let fraction = word(text, self.upper_at);
        let upper = whole | (fraction << self.upper_half_shift) << self.upper_half_shift;
        let mut faults = others(upper);
        let mut mantissa = digits_value(upper);
        if self.lower_step > 1 {
            let lower = word(text, self.lower_at) << self.lower_shift;
            faults |= others(lower);
            mantissa = mantissa
                .wrapping_mul(self.lower_step)
                .wrapping_add(digits_value(lower));
        }
        let mut decimals = self.decimals;
        if self.exponent_at > 0 {
            let (power, fault) = power((word(text, self.exponent_at) ^ ZEROS) as u32);
            decimals -= power;
            faults |= u64::from(fault);
        }
        if faults != 0 {
            return None;
        }
        let length = sign + usize::from(self.length);
        let number = exact_quotient(mantissa, decimals, negative, length)?;
        Some((number, sign + usize::from(self.end) + 1))
    }

    /// The shape of a cell that was read as a plain number; `None` where it is not one of the common ones.
    fn of(cell: &[u8], decimal_mark: u8) -> Option<Self> {
        let sign = usize::from(matches!(cell.first(), Some(b'-' | b'+')));
        let text = cell.get(sign..)?;
        let digits_from = |at: usize| {
            let rest = text.get(at..).unwrap_or_default();
            rest.iter().take_while(|byte| byte.is_ascii_digit()).count()
        };
        let whole = digits_from(0);
        let has_mark = text.get(whole) == Some(&decimal_mark);
        let fraction = if has_mark { digits_from(whole + 1) } else { 0 };
        let end = whole + usize::from(has_mark) + fraction;
        let (length, exponent_at) = match text.get(end..)? {
            [b'e' | b'E', b'-' | b'+', _, _, ..] => (end + 4, end),
            _ => (end, 0),
        };
        let follower = *text.get(length)?;
        let lower = if whole + fraction <= WORD {
            0
        } else {
            fraction.min(WORD)
        };
        let upper = fraction - lower;
        let fits = whole > 0 && whole + upper <= WORD && whole + fraction <= DIGITS_MOST;
        // What is behind the number is one byte, or CR and LF.
        if !fits || follower.is_ascii_alphanumeric() || !(1..=2).contains(&(text.len() - length)) {
            return None;
        }
        Some(Self {
            length: length as u8,
            follower,
            end: (text.len() - 1) as u8,
            ender: *text.last()?,
            mark_at: whole as u8,
            mark: text[whole],
            whole_shift: shift(whole),
            whole_move: 8 * upper as u8,
            upper_at: whole as u8 + 1,
            upper_half_shift: shift(upper) / 2,
            lower_at: (end - lower) as u8,
            lower_shift: if lower > 0 { shift(lower) } else { 0 },
            exponent_at: exponent_at as u8,
            decimals: fraction as i32,
            lower_step: STEPS[lower],
        })
    }
}

/// The power of ten of an exponent of sign and two digits; the second is not 0 where it is none.
#[inline(always)]
fn power(text: u32) -> (i32, u32) {
    let part = text ^ NO_POWER;
    // `-` differs from `+` by 6.
    let minus = (part >> 9) & 1;
    let digits = part >> 16;
    let fault =
        (part & 0xffdf) ^ (minus * 0x0600) | (digits | digits.wrapping_add(0x0606)) & 0xf0f0;
    let power = ((digits & 0xff) * 10 + (digits >> 8)) as i32;
    let sign = -(minus as i32);
    ((power ^ sign) - sign, fault)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::load::value::number::read_decimal;
    use proptest::prelude::*;

    /// Reads `text` in the shape of `like`.
    fn read_like(like: &str, text: &str, mark: u8) -> Option<Decimal> {
        let shape = Shape::of(format!("{like};").as_bytes(), mark).unwrap_or_default();
        let text = format!("{text};\n 0.000000000000000000000000000000000000000");
        let (number, length) = shape.read(text.as_bytes())?;
        assert_eq!(length, number.length + 1);
        Some(number)
    }

    #[test]
    fn numbers_of_one_format_share_a_shape() {
        for (like, text) in [
            ("0.000010", "9.876543"),
            ("12.000010", "-99.999999"),
            ("1.460046803e-02", "-9.990046803E+07"),
            ("0.5", "-0.0"),
            ("1", "7"),
            ("12345678", "+87654321"),
            ("1234567.12345678", "1111111.99999999"),
            ("1e-05", "2e-14"),
            ("5.", "6."),
        ] {
            assert_eq!(
                read_like(like, text, b'.'),
                read_decimal(text.as_bytes(), b'.'),
                "{like} {text}"
            );
        }
    }

    #[test]
    fn two_shapes_by_turns_are_both_kept() {
        let mut shapes = Shapes::default();
        let behind = "\n0.000000000000000000000000000000000000000000";
        let mut missed = 0;
        for number in [
            "1.25", "1.5", "1.75", "1.5", "2.5", "3.5", "1.25", "-1.5", "2.25",
        ] {
            let text = format!("{number}{behind}");
            let expected = read_decimal(number.as_bytes(), b'.').unwrap();
            match shapes.read(text.as_bytes()) {
                Some(read) => assert_eq!(read, (expected, number.len() + 1)),
                None => {
                    missed += 1;
                    shapes.miss(format!("{number}\n").as_bytes(), b'.');
                }
            }
        }
        assert_eq!(missed, 2);
    }

    #[test]
    fn other_shapes_are_told() {
        for (like, text) in [
            ("0.000010", "0.0000101"),
            ("0.000010", "0.00001"),
            ("0.000010", "10.00010"),
            ("0.000010", "0.0000a0"),
            ("1.5e-02", "1.5e-002"),
            ("1.5e-02", "1.5d-02"),
            ("1.5e-02", "1.5e/02"),
            ("1.5e-02", "1.5e-0:"),
            ("1.5e-02", "1.5e+02"),
            ("1.5", "1.5e-02"),
            ("1234567.12345678", "1111111.1111111111"),
            ("12", "123"),
            ("12", "1.5"),
            ("12", "1e5"),
        ] {
            assert_eq!(read_like(like, text, b'.'), None, "{like} {text}");
        }
    }

    proptest! {
        #[test]
        fn agrees_with_reading_without_a_shape(
            like in "[-+]?[0-9]{1,9}(\\.[0-9]{0,12})?([eE][-+]?[0-9]{1,3})?",
            text in "[-+]?[0-9]{1,9}(\\.[0-9]{0,12})?([eEd][-+]?[0-9]{1,3})?[a-z.]?",
        ) {
            if let Some(number) = read_like(&like, &text, b'.') {
                prop_assert_eq!(Some(number), read_decimal(text.as_bytes(), b'.'));
                prop_assert_eq!(number.length, text.len());
            }
        }

        #[test]
        fn agrees_on_one_format(a in 1.5f64..98.0, b in 1.5f64..98.0, negative: bool, digits in 1usize..13) {
            let b = if negative { -b } else { b };
            for (like, text) in [
                (format!("{a:+08.digits$}"), format!("{b:+08.digits$}")),
                (format!("{a:.digits$e}").replace('e', "e-0"), format!("{b:.digits$e}").replace('e', "e-0")),
            ] {
                let expected: f64 = text.parse().unwrap();
                if let Some(number) = read_like(&like, &text, b'.') {
                    prop_assert_eq!(number.value.to_bits(), expected.to_bits());
                } else {
                    prop_assert!(like.trim_start_matches(['+', '-']).len() != text.trim_start_matches(['+', '-']).len());
                }
            }
        }
    }
}
