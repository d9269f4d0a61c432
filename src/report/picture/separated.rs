//! A separation: before and after against time and frequency, and what was taken out.

use super::lines::{lines_hz, resolved_only};
use super::measured::{MOST_PANELS, Pictured, SPECTRUM, not_drawn};
use crate::capture::Snippet;
use crate::report::legend::{FLOOR_LEGEND, interval_legend};
use crate::report::plot::{
    DensityCurve, Role, Sheet, Trace, harmonic_orders, noise_density, waveform,
};

const BEFORE: Role = Role::Looped;
const AFTER: Role = Role::Remedy(0);
const TAKEN_OUT: Role = Role::Remedy(1);

/// One channel of a separation.
#[derive(Debug, Clone, PartialEq)]
pub struct SeparatedPanel {
    /// The record as it was.
    pub before: Pictured,
    /// What is left of it.
    pub after: Pictured,
    /// What was taken out.
    pub taken_out: Pictured,
}

/// Each channel before and after, and what was taken out of it, up to [`MOST_PANELS`] channels; the others are
/// named.
#[must_use]
pub fn separated_picture(channels: &[SeparatedPanel]) -> Sheet {
    let mut sheet = Sheet::new();
    for channel in channels.iter().take(MOST_PANELS) {
        panel(&mut sheet, channel);
    }
    if let Some(words) = not_drawn(channels.iter().map(|c| &c.before.measurement)) {
        sheet.sentence(&words);
    }
    if let Some(first) = channels.first() {
        let legend = interval_legend(first.before.measurement.confidence);
        let length = first.before.measurement.duration_s;
        sheet.sentence(&format!(
            "Spectra and orders are of the first {} of the record. {SPECTRUM}",
            crate::si::short(length, "s", 4)
        ));
        sheet.sentence(&format!("{legend} {FLOOR_LEGEND}"));
    }
    sheet
}

fn panel(sheet: &mut Sheet, channel: &SeparatedPanel) {
    let SeparatedPanel {
        before,
        after,
        taken_out,
    } = channel;
    let m = &before.measurement;
    sheet.heading(&format!("{}, channel {}", m.file, m.channel));
    let wave = |part: &Pictured, role, label: &str| -> Option<Trace<Snippet>> {
        Some(Trace::new(role, label, part.snippet.clone()?))
    };
    let both: Vec<_> = [wave(before, BEFORE, "before"), wave(after, AFTER, "after")]
        .into_iter()
        .flatten()
        .collect();
    let out: Vec<_> = wave(taken_out, TAKEN_OUT, "taken out")
        .into_iter()
        .collect();
    // Where the lines were, whatever is left of them.
    let lines = lines_hz(m);
    let spectrum = |part: &'_ Pictured| part.measurement.spectrum.clone();
    let spectra = [(before, BEFORE, "before"), (after, AFTER, "after")]
        .map(|(part, role, label)| (spectrum(part), role, label));
    let curves: Vec<_> = spectra
        .iter()
        .filter_map(|(spectrum, role, label)| {
            let curve = DensityCurve {
                spectrum: spectrum.as_ref()?,
                lines_hz: &lines,
            };
            Some(Trace::new(*role, *label, curve))
        })
        .collect();
    let orders = |part: &Pictured| {
        let harmonics = part.measurement.mains.harmonics.iter();
        harmonics.map(|h| (h.order, h.rms)).collect::<Vec<_>>()
    };
    let orders = resolved_only(vec![
        Trace::new(BEFORE, "before", orders(before)),
        Trace::new(AFTER, "after", orders(after)),
        Trace::new(TAKEN_OUT, "taken out", orders(taken_out)),
    ]);
    let plots = [
        waveform(&both, "Before and after", &m.unit),
        waveform(&out, "Taken out", &m.unit),
        noise_density(&curves, &m.unit, m.mains.nominal_hz, None),
        harmonic_orders(
            &orders,
            "Mains harmonics before and after",
            &m.unit,
            m.confidence,
        ),
    ];
    plots.iter().flatten().for_each(|plot| sheet.plot(plot));
}
