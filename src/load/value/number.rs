//! Decimal numbers as they are written in text tables.

/// Twice the relative step between doubles, rounded up: no number is known to better.
pub(crate) const DOUBLE_STEP: f64 = 4.5e-16;

/// Stands for a mantissa too long to be held.
pub(crate) const TOO_LONG: i64 = i64::MIN;

/// A number read from the front of a byte string.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Decimal {
    /// The value, correctly rounded.
    pub value: f64,
    /// Digits without the mark, as an integer with its sign, or [`TOO_LONG`].
    pub mantissa: i64,
    /// Power of ten of the last digit.
    pub exponent: i32,
    /// Bytes read.
    pub length: usize,
}

impl Decimal {
    /// This number less an earlier one, exact where both are written with equal exponents.
    #[inline]
    pub fn after(&self, first: Self) -> f64 {
        if self.is_aligned(first) {
            let difference = self.mantissa.wrapping_sub(first.mantissa) as f64;
            if (-22..0).contains(&self.exponent) {
                difference / POWERS[self.exponent.unsigned_abs() as usize]
            } else {
                difference * power_of_ten(self.exponent)
            }
        } else {
            self.value - first.value
        }
    }

    /// Whether two numbers are written with equal exponents, their mantissas held.
    #[inline]
    pub fn is_aligned(&self, other: Self) -> bool {
        self.exponent == other.exponent && self.mantissa != TOO_LONG && other.mantissa != TOO_LONG
    }

    /// The mantissa without its sign; 0 where it is too long to be held.
    #[inline]
    pub fn width(&self) -> u64 {
        if self.mantissa == TOO_LONG {
            0
        } else {
            self.mantissa.unsigned_abs()
        }
    }

    /// The number times a power of ten.
    pub fn shifted(self, power: i32) -> Self {
        let exponent = self.exponent.saturating_add(power);
        let exact = (self.mantissa.unsigned_abs() <= 1 << 53)
            .then(|| exact_product(self.mantissa.unsigned_abs(), exponent))
            .flatten();
        Self {
            value: match exact {
                Some(magnitude) => magnitude.copysign(self.value),
                None => self.value * power_of_ten(power),
            },
            exponent,
            ..self
        }
    }

    /// What the last digit stands for, in a column whose longest number has the digits of
    /// `widest_mantissa`: trailing zeros may have been left away.
    pub fn rounding(&self, widest_mantissa: u64) -> f64 {
        if self.value == 0.0 {
            return 0.0;
        }
        let digits = if widest_mantissa == 0 {
            17
        } else {
            i32::try_from(widest_mantissa.ilog10()).unwrap_or(17) + 1
        };
        let magnitude = self.value.abs().log10().floor();
        power_of_ten((magnitude as i32).saturating_add(1 - digits))
            .max(self.value.abs() * DOUBLE_STEP)
    }
}

/// Powers of ten that a double holds exactly.
const POWERS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
];

/// A mantissa of at most 53 bits times a power of ten, where the one rounding is the right one because
/// both are exact (Clinger 1990).
#[inline(always)]
fn exact_product(mantissa: u64, exponent: i32) -> Option<f64> {
    let power = POWERS.get(exponent.unsigned_abs() as usize)?;
    #[expect(clippy::cast_precision_loss)]
    let exact = mantissa.cast_signed() as f64;
    Some(if exponent < 0 {
        exact / power
    } else {
        exact * power
    })
}

/// 10^exponent, for resolutions and scale factors.
pub(crate) fn power_of_ten(exponent: i32) -> f64 {
    match usize::try_from(exponent.unsigned_abs()) {
        Ok(index) if index < POWERS.len() => {
            if exponent >= 0 {
                POWERS[index]
            } else {
                1.0 / POWERS[index]
            }
        }
        _ => 10f64.powi(exponent),
    }
}

/// Powers of ten of up to eight digits.
pub(crate) const STEPS: [u64; 9] = [
    1,
    10,
    100,
    1_000,
    10_000,
    100_000,
    1_000_000,
    10_000_000,
    100_000_000,
];

/// `0` in every byte.
pub(crate) const ZEROS: u64 = 0x3030_3030_3030_3030;

/// Not 0 where a byte is no digit.
#[inline(always)]
pub(crate) fn others(word: u64) -> u64 {
    (word.wrapping_add(0x7676_7676_7676_7676) | word) & 0x8080_8080_8080_8080
}

/// The value of eight digits, added up pairwise within the word.
#[inline(always)]
pub(crate) fn digits_value(word: u64) -> u64 {
    let pairs = word.wrapping_mul(10).wrapping_add(word >> 8);
    let low = (pairs & 0x0000_00ff_0000_00ff).wrapping_mul(0x000f_4240_0000_0064);
    let high = ((pairs >> 16) & 0x0000_00ff_0000_00ff).wrapping_mul(0x0000_2710_0000_0001);
    low.wrapping_add(high) >> 32
}

/// The digits at the low end of eight bytes: their number and value.
///
#[inline(always)]
fn leading_digits(bytes: [u8; 8]) -> (u64, usize) {
    let word = u64::from_le_bytes(bytes) ^ ZEROS;
    let count = (others(word).trailing_zeros() / 8) as usize;
    if count == 0 {
        return (0, 0);
    }
    (digits_value(word << (64 - 8 * count)), count)
}

/// Reads a decimal number from the front of `text`: sign, digits with at most one decimal mark,
/// exponent after `e`, `E`, `d` or `D`. What follows the number is the caller's to judge.
#[inline(always)]
pub(crate) fn read_decimal(text: &[u8], decimal_mark: u8) -> Option<Decimal> {
    // Signs come at random: they are taken without a branch.
    let first = *text.first()?;
    let negative = first == b'-';
    let mut at = usize::from(negative | (first == b'+'));
    let mut mantissa: u64 = 0;
    let start = at;
    while let Some(&byte) = text.get(at) {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            break;
        }
        mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(digit));
        at += 1;
    }
    let mut digits = at - start;
    let mut exponent: i32 = 0;
    if text.get(at) == Some(&decimal_mark) {
        at += 1;
        let fraction = at;
        loop {
            if let Some(bytes) = text.get(at..).and_then(|rest| rest.first_chunk::<8>()) {
                let (value, count) = leading_digits(*bytes);
                mantissa = mantissa.wrapping_mul(STEPS[count]).wrapping_add(value);
                at += count;
                if count < 8 {
                    break;
                }
            } else {
                while let Some(&byte) = text.get(at) {
                    let digit = byte.wrapping_sub(b'0');
                    if digit > 9 {
                        break;
                    }
                    mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(digit));
                    at += 1;
                }
                break;
            }
        }
        digits += at - fraction;
        exponent = -i32::try_from(at - fraction).ok()?;
    }
    if digits == 0 {
        return None;
    }
    let mut plain_exponent = true;
    if let Some((power, end)) = read_power(text, at) {
        plain_exponent = text[at].eq_ignore_ascii_case(&b'e');
        at = end;
        exponent = exponent.saturating_add(power);
    }
    if digits > 18 {
        let zeros = text[start..at]
            .iter()
            .take_while(|byte| matches!(byte, b'0' | b'.' | b','))
            .filter(|byte| **byte == b'0')
            .count();
        if digits - zeros > 19 || mantissa > i64::MAX as u64 {
            return read_slowly(&text[..at], decimal_mark, plain_exponent, exponent);
        }
    }
    let exact = exact_decimal(mantissa, exponent, negative, at);
    if exact.is_some() {
        return exact;
    }
    let mut slow = read_slowly(&text[..at], decimal_mark, plain_exponent, exponent)?;
    slow.mantissa = signed(mantissa.min(i64::MAX as u64), negative);
    Some(slow)
}

/// A power of ten written behind the digits, and the place behind it.
#[inline(always)]
fn read_power(text: &[u8], at: usize) -> Option<(i32, usize)> {
    let Some(b'e' | b'E' | b'd' | b'D') = text.get(at) else {
        return None;
    };
    let sign = text.get(at + 1);
    let first = at + 1 + usize::from(matches!(sign, Some(b'-' | b'+')));
    let mut end = first;
    let mut power: i32 = 0;
    while let Some(&byte) = text.get(end) {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            break;
        }
        power = power
            .saturating_mul(10)
            .saturating_add(i32::from(digit))
            .min(99_999);
        end += 1;
    }
    (end > first).then_some((if sign == Some(&b'-') { -power } else { power }, end))
}

/// The number of at most 53 bits over a power of ten, with its sign; `None` where that power is not exact.
#[inline(always)]
pub(crate) fn exact_quotient(
    mantissa: u64,
    decimals: i32,
    negative: bool,
    length: usize,
) -> Option<Decimal> {
    let power = POWERS.get(decimals.cast_unsigned() as usize)?;
    #[expect(clippy::cast_precision_loss)]
    let magnitude = mantissa.cast_signed() as f64 / power;
    Some(Decimal {
        value: f64::from_bits(magnitude.to_bits() | u64::from(negative) << 63),
        mantissa: signed(mantissa, negative),
        exponent: -decimals,
        length,
    })
}

/// A number of at most 53 bits; `None` where one rounding does not give its value.
#[inline(always)]
fn exact_decimal(mantissa: u64, exponent: i32, negative: bool, length: usize) -> Option<Decimal> {
    if mantissa > 1 << 53 {
        return None;
    }
    let value = exact_product(mantissa, exponent)?;
    Some(Decimal {
        value: f64::from_bits(value.to_bits() | u64::from(negative) << 63),
        mantissa: signed(mantissa, negative),
        exponent,
        length,
    })
}

#[inline(always)]
fn signed(mantissa: u64, negative: bool) -> i64 {
    let mantissa = mantissa.cast_signed();
    let sign = -i64::from(negative);
    (mantissa ^ sign) - sign
}

/// Long mantissas and far exponents: normalised and handed to a general parser.
#[cold]
fn read_slowly(text: &[u8], decimal_mark: u8, plain: bool, exponent: i32) -> Option<Decimal> {
    let normal: Vec<u8>;
    let unsigned = text.strip_prefix(b"+").unwrap_or(text);
    let input = if decimal_mark == b'.' && plain {
        unsigned
    } else {
        normal = unsigned
            .iter()
            .map(|&byte| match byte {
                b'd' | b'D' => b'e',
                other if other == decimal_mark => b'.',
                other => other,
            })
            .collect();
        &normal
    };
    let value: f64 = fast_float2::parse(input).ok()?;
    Some(Decimal {
        value,
        mantissa: TOO_LONG,
        exponent,
        length: text.len(),
    })
}

/// Reads a whole cell as a hexadecimal count: `0x7F3A`.
pub(crate) fn parse_hexadecimal(cell: &str) -> Option<Decimal> {
    let digits = cell
        .strip_prefix("0x")
        .or_else(|| cell.strip_prefix("0X"))?;
    let hexadecimal = digits.len() <= 8 && digits.bytes().all(|b| b.is_ascii_hexdigit());
    let count = u32::from_str_radix(digits, 16)
        .ok()
        .filter(|_| hexadecimal)?;
    Some(Decimal {
        value: f64::from(count),
        mantissa: i64::from(count),
        exponent: 0,
        length: cell.len(),
    })
}

/// Reads a whole cell as a number; `None` where anything else is in it.
pub(crate) fn parse_decimal(cell: &str, decimal_mark: u8) -> Option<Decimal> {
    read_decimal(cell.as_bytes(), decimal_mark).filter(|number| number.length == cell.len())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn reads_what_tables_hold() {
        for (text, expected) in [
            ("0", 0.0),
            ("-0.5", -0.5),
            ("+1.25", 1.25),
            (".5", 0.5),
            ("5.", 5.0),
            ("1e-3", 1e-3),
            ("1.5D+02", 150.0),
            ("-1.0428999418774637e-18", -1.042_899_941_877_463_7e-18),
            ("123456789012345678901234567890", 1.234_567_890_123_456_8e29),
            ("4.9e-324", 4.9e-324),
        ] {
            assert_eq!(parse_decimal(text, b'.').unwrap().value, expected, "{text}");
        }
        assert_eq!(parse_decimal("1,25", b',').unwrap().value, 1.25);
        for text in ["", "-", "+", ".", "e5", "1e", "1.2.3", "0x1F", "1 2", "NaN"] {
            assert_eq!(parse_decimal(text, b'.'), None, "{text}");
        }
    }

    proptest! {
        #[test]
        fn agrees_with_the_standard_parser(value in proptest::num::f64::NORMAL, digits in 0usize..20) {
            for text in [format!("{value:e}"), format!("{value:.digits$e}"), format!("{value}")] {
                let expected: f64 = text.parse().unwrap();
                prop_assert_eq!(parse_decimal(&text, b'.').unwrap().value.to_bits(), expected.to_bits());
            }
        }

        #[test]
        fn agrees_on_short_fixed_point(mantissa in -99_999_999i64..99_999_999, digits in 0usize..9) {
            let text = format!("{:.digits$}", mantissa as f64 / 10f64.powi(digits as i32));
            let expected: f64 = text.parse().unwrap();
            prop_assert_eq!(parse_decimal(&text, b'.').unwrap().value, expected);
        }
    }
}
