//! The rows that a reader sees: of many harmonics and tones the strongest.

use super::measured::{Row, measurement_rows};
use crate::analysis::Measurement;
use crate::quantity::Quantity;

/// Harmonics, and tones, that a short listing shows unless told otherwise.
pub const SHOWN: usize = 10;

/// Rows in the order in which they are read, and how many of their kind are left out.
pub(in crate::report) struct ShortList {
    pub rows: Vec<Row>,
    pub harmonics_left_out: usize,
    pub tones_left_out: usize,
}

impl ShortList {
    /// At most `show` of the harmonics that stand above the noise, and of the tones.
    pub fn of(measurement: &Measurement, show: usize) -> Self {
        let mut rows = measurement_rows(measurement);
        rows.retain(|row| row.prominent);
        let strength = |row: &Row| row.figure.value().unwrap_or(0.0);
        let harmonics = rows
            .iter()
            .filter(|row| matches!(row.quantity, Quantity::Harmonic(_)));
        let mut strongest: Vec<(f64, Quantity)> =
            harmonics.map(|row| (strength(row), row.quantity)).collect();
        let harmonics = strongest.len();
        // The sort keeps the order of equal ones.
        strongest.sort_by(|a, b| b.0.total_cmp(&a.0));
        strongest.truncate(show);
        rows.retain(|row| match row.quantity {
            Quantity::Harmonic(_) => strongest.iter().any(|(_, known)| *known == row.quantity),
            Quantity::ToneFrequency(number) | Quantity::ToneRms(number) => number <= show,
            _ => true,
        });
        Self {
            rows,
            harmonics_left_out: harmonics.saturating_sub(show),
            tones_left_out: measurement.tones.len().saturating_sub(show),
        }
    }

    /// What is to be said of what is left out, if anything is.
    pub fn remark(&self) -> Option<String> {
        let counted = |count: usize, what: &str| match count {
            0 => None,
            1 => Some(format!("1 {what}")),
            _ => Some(format!("{count} {what}s")),
        };
        let left_out: Vec<String> = [
            counted(self.harmonics_left_out, "weaker harmonic"),
            counted(self.tones_left_out, "weaker tone"),
        ]
        .into_iter()
        .flatten()
        .collect();
        (!left_out.is_empty()).then(|| {
            format!(
                "Left out here: {}; --show N shows more.",
                left_out.join(", ")
            )
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample;

    #[test]
    fn the_strongest_are_shown_and_the_others_counted() {
        let mut measurement = sample::measurement();
        let line = measurement.mains.harmonics[0].clone();
        let tone = measurement.tones[0].clone();
        for order in 2..=7 {
            let mut line = line.clone();
            line.order = order;
            line.detected = true;
            line.rms.value = if order == 5 { 9.0 } else { 1e-4 };
            measurement.mains.harmonics.push(line);
        }
        measurement.mains.harmonics.retain(|line| line.detected);
        measurement.tones = vec![tone; 4];
        let names = |show| -> Vec<String> {
            let rows = ShortList::of(&measurement, show).rows.into_iter();
            rows.map(|row| row.quantity.to_string()).collect()
        };
        let harmonics = measurement.mains.harmonics.len();
        for show in [0, 1, 2, 4, 100] {
            let names = names(show);
            let count = |start: &str, end: &str| {
                let named = |name: &&String| name.starts_with(start) && name.ends_with(end);
                names.iter().filter(named).count()
            };
            assert_eq!(count("harmonic_", "_rms"), show.min(harmonics));
            assert_eq!(count("tone_", "_rms"), show.min(4));
        }
        assert!(names(1).contains(&"harmonic_5_rms".to_owned()));
        let list = ShortList::of(&measurement, 3);
        assert_eq!(list.tones_left_out, 1);
        assert_eq!(list.harmonics_left_out, harmonics - 3);
        assert!(
            list.remark()
                .is_some_and(|remark| remark.contains("1 weaker tone;"))
        );
        assert_eq!(ShortList::of(&measurement, 100).remark(), None);
    }
}
