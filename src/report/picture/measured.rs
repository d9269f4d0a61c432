//! Measurements: spectrum and waveform of each channel.

use super::lines::lines_hz;
use crate::analysis::Measurement;
use crate::capture::Snippet;
use crate::quantity::Quantity;
use crate::report::legend::{FLOOR_LEGEND, interval_legend};
use crate::report::plot::{DensityCurve, Role, Sheet, Trace, noise_density, waveform};
use crate::report::rows::Reading;
use crate::si;

/// Channels that one picture shows.
pub const MOST_PANELS: usize = 6;

/// What the density's curve, stems and ticks are.
pub(super) const SPECTRUM: &str = "Curve: the noise between the lines. Stems: the lines, up to their highest \
     density. Ticks along the top: orders of the mains.";

/// A measured channel and the first of its samples.
#[derive(Debug, Clone, PartialEq)]
pub struct Pictured {
    /// With its spectrum.
    pub measurement: Measurement,
    /// A few cycles; `None` where there are not as many.
    pub snippet: Option<Snippet>,
}

/// Which channels stand on no picture, and why; `None` where all do.
pub(super) fn not_drawn<'a>(
    measurements: impl IntoIterator<Item = &'a Measurement>,
) -> Option<String> {
    let left: Vec<String> = measurements
        .into_iter()
        .skip(MOST_PANELS)
        .map(|m| format!("{} of {}", m.channel, m.file))
        .collect();
    (!left.is_empty()).then(|| {
        format!(
            "Not drawn: channel {}. A picture shows {MOST_PANELS} channels at most, or none would be legible; \
             name those that are wanted with --channel.",
            left.join(", channel ")
        )
    })
}

/// Spectrum and waveform of each channel, up to [`MOST_PANELS`] of them; the others are named.
#[must_use]
pub fn measured_picture(channels: &[Pictured]) -> Sheet {
    let mut sheet = Sheet::new();
    for Pictured {
        measurement,
        snippet,
    } in channels.iter().take(MOST_PANELS)
    {
        let unit = &measurement.unit;
        let label = format!("channel {}", measurement.channel);
        sheet.heading(&format!("{}, {label}", measurement.file));
        let lines = lines_hz(measurement);
        let density = measurement.spectrum.as_ref().and_then(|spectrum| {
            let curve = DensityCurve {
                spectrum,
                lines_hz: &lines,
            };
            noise_density(
                &[Trace::new(Role::Looped, label.clone(), curve)],
                unit,
                measurement.mains.nominal_hz,
                Some(measurement.noise.band_hz),
            )
        });
        let wave = snippet.as_ref().and_then(|snippet| {
            let trace = Trace::new(Role::Looped, label.clone(), snippet.clone());
            waveform(&[trace], "Waveform", unit)
        });
        density
            .iter()
            .chain(&wave)
            .for_each(|plot| sheet.plot(plot));
        sheet.sentence(&figures(measurement));
    }
    if let Some(words) = not_drawn(channels.iter().map(|c| &c.measurement)) {
        sheet.sentence(&words);
    }
    if let Some(first) = channels.first() {
        sheet.sentence(SPECTRUM);
        let legend = interval_legend(first.measurement.confidence);
        sheet.sentence(&format!("{legend} {FLOOR_LEGEND}"));
    }
    sheet
}

/// Offset, hum and noise with their intervals.
fn figures(measurement: &Measurement) -> String {
    let words = [Quantity::DcOffset, Quantity::HumRms, Quantity::NoiseRms].map(|quantity| {
        let reading = Reading::new(quantity.of(measurement), &measurement.unit);
        let interval = reading
            .interval
            .as_ref()
            .map_or_else(String::new, |interval| format!(" ({interval})"));
        format!(
            "{} {}{interval}",
            quantity.label(),
            reading.value_with_unit()
        )
    });
    let mains = &measurement.mains;
    let nominal = si::short(mains.nominal_hz, "Hz", 6);
    let orders = if mains.detected {
        format!("Mains of nominal {nominal}.")
    } else {
        format!("No mains detected; orders are marked at the nominal {nominal}.")
    };
    format!("{}. {orders}", words.join("; "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample;

    #[test]
    fn channels_that_are_not_drawn_are_named() {
        let channels: Vec<Pictured> = (1..=8)
            .map(|number| {
                let mut measurement = sample::measurement();
                measurement.channel = format!("input {number}");
                Pictured {
                    measurement,
                    snippet: None,
                }
            })
            .collect();
        let all = || channels.iter().map(|c| &c.measurement);
        assert_eq!(not_drawn(all().take(MOST_PANELS)), None);
        let told = not_drawn(all()).unwrap();
        assert!(
            told.contains("input 7 of") && told.contains("input 8 of"),
            "{told}"
        );
        assert!(!told.contains("input 6 of"), "{told}");
        assert!(
            measured_picture(&channels)
                .svg()
                .contains("Not drawn: channel input 7")
        );
    }
}
