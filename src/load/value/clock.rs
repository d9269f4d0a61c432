//! Dates, clock times and time stamps.

use time::{Date, Month};

/// A moment: days since 1970-01-01 (0 where only a clock time is given) and seconds of the day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Moment {
    /// Days since 1970-01-01, where a date is given.
    pub day: Option<i64>,
    /// Whole seconds since midnight, or since the start for elapsed times.
    pub whole: i64,
    /// Fraction of a second, apart so that differences stay exact.
    pub fraction: f64,
    /// Seconds that the last written digit stands for.
    pub resolution: f64,
}

fn number<T: std::str::FromStr>(text: &str) -> Option<T> {
    (!text.is_empty() && text.bytes().all(|b| b.is_ascii_digit()))
        .then(|| text.parse().ok())
        .flatten()
}

impl Moment {
    /// Seconds from `first` to this moment, days left out.
    pub fn seconds_after(&self, first: Self) -> f64 {
        (self.whole - first.whole) as f64 + (self.fraction - first.fraction)
    }

    /// Whole and fraction together, s.
    pub fn seconds(&self) -> f64 {
        self.whole as f64 + self.fraction
    }
}

/// `H:MM:SS`, `HH:MM:SS.fff`, `MM:SS.fff`, also with a decimal comma, `AM`/`PM` or a zone.
pub(crate) fn clock_time(text: &str) -> Option<Moment> {
    let mut text = text.trim();
    let mut afternoon = None;
    for (mark, value) in [("AM", false), ("PM", true), ("am", false), ("pm", true)] {
        if let Some(rest) = text.strip_suffix(mark) {
            text = rest.trim_end();
            afternoon = Some(value);
        }
    }
    text = strip_zone(text);
    let negative = text.starts_with('-');
    let text = text.trim_start_matches(['-', '+']);
    let mut parts = text.split(':');
    let (first, second) = (parts.next()?, parts.next()?);
    let third = parts.next();
    let fourth = parts.next();
    if parts.next().is_some() || first.len() > 6 || second.len() < 2 {
        return None;
    }
    let whole = |text: &str| number::<u32>(text).map(i64::from);
    let minutes = || whole(second).filter(|minutes| *minutes < 60);
    let (mut hours, minutes, tail) = match third {
        Some(third) => (whole(first)?, minutes()?, third),
        // Two parts: minutes and seconds where the last has a fraction, hours and minutes else.
        None if second.contains(['.', ',']) => (0, whole(first)?, second),
        None => (whole(first)?, minutes()?, "0"),
    };
    let (seconds, fraction) = match (tail.split_once(['.', ',']), fourth) {
        (Some((seconds, fraction)), None) => (seconds, fraction),
        (None, Some(fraction)) => (tail, fraction),
        (None, None) => (tail, ""),
        _ => return None,
    };
    let seconds = whole(seconds).filter(|seconds| *seconds <= 60)?;
    if !fraction.bytes().all(|b| b.is_ascii_digit()) || fraction.len() > 15 {
        return None;
    }
    let digits = i32::try_from(fraction.len()).ok()?;
    let fraction: f64 = if fraction.is_empty() {
        0.0
    } else {
        format!("0.{fraction}").parse().ok()?
    };
    if let Some(afternoon) = afternoon {
        hours %= 12;
        if afternoon {
            hours += 12;
        }
    }
    let whole = hours * 3600 + minutes * 60 + seconds;
    let sign = if negative { -1 } else { 1 };
    let resolution = if third.is_none() && !second.contains(['.', ',']) {
        60.0
    } else {
        10f64.powi(-digits)
    };
    Some(Moment {
        day: None,
        whole: sign * whole,
        fraction: sign as f64 * fraction,
        resolution,
    })
}

/// Takes `Z`, `+01:00`, `-0500` or `UTC` off the end of a clock time.
fn strip_zone(text: &str) -> &str {
    let text = ["Z", "z", " UTC", " GMT", "UTC"]
        .iter()
        .find_map(|zone| text.strip_suffix(zone))
        .unwrap_or(text);
    let Some(at) = text.rfind(['+', '-']).filter(|at| *at > 4) else {
        return text;
    };
    let (clock, zone) = text.split_at(at);
    let zone = &zone[1..];
    let digits = zone.bytes().filter(u8::is_ascii_digit).count();
    if (digits == 4 || digits == 2) && zone.bytes().all(|b| b.is_ascii_digit() || b == b':') {
        clock.trim_end()
    } else {
        text
    }
}

/// Julian day number of 1970-01-01.
const JULIAN_DAY_OF_1970: i32 = 2_440_588;

const MONTHS: [&str; 12] = [
    "jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec",
];

/// A calendar date as days since 1970-01-01: year first, day first (dots, or a part above 12), or
/// month first; names of months in English.
pub(crate) fn date(text: &str) -> Option<i64> {
    let text = text.trim();
    let separator = text.chars().find(|c| !c.is_ascii_alphanumeric())?;
    if !matches!(separator, '-' | '/' | '.' | ' ') {
        return None;
    }
    let mut parts = text.split(separator).filter(|part| !part.is_empty());
    let (a, b, c) = (parts.next()?, parts.next()?, parts.next()?);
    if parts.next().is_some() {
        return None;
    }
    let month_name = |text: &str| {
        let lower = text.to_ascii_lowercase();
        (lower.len() >= 3)
            .then(|| MONTHS.iter().position(|m| lower.starts_with(m)))
            .flatten()
            .map(|index| index as u8 + 1)
    };
    let (year, month, day): (i32, u8, u8) = if a.len() == 4 {
        (number(a)?, number(b).or_else(|| month_name(b))?, number(c)?)
    } else if let Some(month) = month_name(b) {
        (number(c)?, month, number(a)?)
    } else if let Some(month) = month_name(a) {
        (number(c)?, month, number(b)?)
    } else {
        if !matches!(c.len(), 2 | 4) || a.len() > 2 || b.len() > 2 {
            return None;
        }
        let (first, second): (u8, u8) = (number(a)?, number(b)?);
        if separator == '.' || first > 12 {
            (number(c)?, second, first)
        } else {
            (number(c)?, first, second)
        }
    };
    let year = if year < 100 { year + 2000 } else { year };
    if !(1900..=2200).contains(&year) {
        return None;
    }
    let month = Month::try_from(month).ok()?;
    let date = Date::from_calendar_date(year, month, day).ok()?;
    Some(i64::from(date.to_julian_day() - JULIAN_DAY_OF_1970))
}

/// A date and a clock time in one cell, apart by `T` or blanks.
pub(crate) fn time_stamp(text: &str) -> Option<Moment> {
    let text = text.trim();
    let split = text
        .char_indices()
        .find(|(_, c)| matches!(c, 'T' | ':'))
        .map(|(at, _)| at)?;
    let at = if text[split..].starts_with('T') {
        split
    } else {
        text[..split].rfind([' ', '_', ','])?
    };
    let (day, clock) = (text[..at].trim_end_matches(','), &text[at + 1..]);
    let day = date(day).or_else(|| compact_date(day))?;
    let mut moment = clock_time(clock).or_else(|| compact_clock(clock))?;
    moment.day = Some(day);
    Some(moment)
}

/// `20250314`.
fn compact_date(text: &str) -> Option<i64> {
    if text.len() != 8 || !text.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    date(&format!("{}-{}-{}", &text[..4], &text[4..6], &text[6..]))
}

/// `101530.250`.
fn compact_clock(text: &str) -> Option<Moment> {
    if text.len() < 6 || !text.as_bytes()[..6].iter().all(u8::is_ascii_digit) {
        return None;
    }
    clock_time(&format!("{}:{}:{}", &text[..2], &text[2..4], &text[4..]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clocks() {
        assert_eq!(clock_time("12:00:01.250").unwrap().seconds(), 43201.25);
        assert_eq!(clock_time("12:00:01,250").unwrap().resolution, 1e-3);
        assert_eq!(clock_time("12:00:01:250").unwrap().seconds(), 43201.25);
        assert_eq!(clock_time("1:00:00 PM").unwrap().seconds(), 46800.0);
        assert_eq!(clock_time("12:00:00 AM").unwrap().seconds(), 0.0);
        assert_eq!(clock_time("02:03.5").unwrap().seconds(), 123.5);
        assert_eq!(clock_time("-0:00:01.5").unwrap().seconds(), -1.5);
        for text in ["1:2", "ab:cd:ef", "12:61:00", "12", "::", "1:00:00:0:0"] {
            assert_eq!(clock_time(text), None, "{text}");
        }
    }

    #[test]
    fn dates() {
        assert_eq!(date("1970-01-01"), Some(0));
        assert_eq!(date("2000-03-01"), Some(11_017));
        assert_eq!(date("01.03.2000"), Some(11_017));
        assert_eq!(date("03/01/2000"), Some(11_017));
        assert_eq!(date("13/03/2000"), Some(11_029));
        assert_eq!(date("1-Mar-2000"), Some(11_017));
        assert_eq!(date("Mar 1 2000"), Some(11_017));
        assert_eq!(date("0.123"), None);
        assert_eq!(date("1.2.3"), None);
        assert_eq!(date("2000-13-01"), None);
        // Days that the Gregorian calendar does not have.
        for text in [
            "2025-02-31",
            "2025-02-29",
            "29.02.2100",
            "31/04/2025",
            "Nov 31 2025",
            "2025-01-00",
            "2025-00-10",
        ] {
            assert_eq!(date(text), None, "{text}");
        }
        assert_eq!(date("2024-02-29"), Some(19_782));
        assert_eq!(date("29.02.2000"), Some(11_016));
    }

    #[test]
    fn stamps() {
        for text in [
            "2000-03-01T01:00:00.5Z",
            "2000-03-01T01:00:00.5+02:00",
            "2000-03-01 01:00:00.500",
            "01.03.2000 01:00:00,5",
            "3/1/2000 1:00:00.5 AM",
            "20000301T010000.5Z",
        ] {
            let moment = time_stamp(text).unwrap();
            assert_eq!(
                (moment.day, moment.seconds()),
                (Some(11_017), 3600.5),
                "{text}"
            );
        }
        assert_eq!(time_stamp("Title: something"), None);
    }
}
