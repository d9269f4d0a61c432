//! Which nominal frequency a record has, and where its series starts.

use super::aliased_mains::AliasedMains;
use super::channel::{GRID_RANGE, Work, highest_order};
use super::stream_noise::take_off_line;
use crate::analysis::series::FitSettings;
use crate::analysis::series::{SearchInput, Searched};
use crate::spectrum::{Density, Nudft, Weighting};
use rustfft::num_complex::Complex64;

/// Log-likelihood by which one nominal of a short record must lead the other: 1000 to 1.
const DECIDED: f64 = 6.9;

/// Where the series may lie.
pub(crate) struct Acquired {
    pub(crate) nominal_hz: f64,
    pub(crate) fundamental: f64,
    /// A line outside the grid's range that the search ran into, Hz.
    pub(crate) outside: Option<f64>,
    /// Whether the other nominal is ruled out.
    pub(crate) decided: bool,
}

impl Work<'_> {
    /// Chooses nominal and start of the fundamental.
    pub(crate) fn acquire(
        &self,
        samples: &[f64],
        transforms: &[Nudft],
        total: &Density,
    ) -> Acquired {
        let rate = self.stream.rate_hz;
        let nominals = self.options.mains.nominals_hz();
        let carried = |hz: &f64| highest_order(self.options, self.stream, *hz) > 0;
        let (nominals, folded): (Vec<f64>, Vec<f64>) = if nominals.iter().any(carried) {
            nominals.into_iter().partition(carried)
        } else {
            (nominals, Vec::new())
        };
        // A nominal that folds onto the one that is carried is not told from it.
        let alone = |hz: f64| {
            !folded
                .iter()
                .filter_map(|&other| AliasedMains::of(other, rate))
                .any(|other| other.may_be(hz * (1.0 - GRID_RANGE), hz * (1.0 + GRID_RANGE)))
        };
        let common = nominals
            .iter()
            .map(|&hz| highest_order(self.options, self.stream, hz))
            .min()
            .unwrap_or(0);
        let duration = samples.len() as f64 / rate;
        let top = nominals.iter().fold(0.0, |top: f64, &hz| top.max(hz)) * common as f64;
        let searched = Searched::new(transforms, (1.0 + GRID_RANGE) * top / rate);
        let mut best: Option<(f64, Acquired)> = None;
        for nominal_hz in nominals {
            let fundamental = nominal_hz / rate;
            let mut acquired = Acquired {
                nominal_hz,
                fundamental,
                outside: None,
                decided: alone(nominal_hz),
            };
            let mut merit = 0.0;
            if common > 0 {
                let noise = self.rough_noise(total, nominal_hz, common);
                let settings = FitSettings {
                    weighting: Weighting::Rectangular,
                    orders: common,
                    noise: noise.clone(),
                    range: (
                        fundamental * (1.0 - GRID_RANGE),
                        fundamental * (1.0 + GRID_RANGE),
                    ),
                    prior: None,
                    aside: Vec::new(),
                    muted: Vec::new(),
                    moved: Vec::new(),
                };
                if duration * nominal_hz >= 2.0 {
                    let length = (self.pieces[0].1 - self.pieces[0].0) as f64;
                    let cells: Vec<f64> = noise[1..].iter().map(|v| v * 0.375 * length).collect();
                    let input = SearchInput::new(&searched, &cells);
                    let peak = input.peak(settings.range.0, settings.range.1);
                    acquired.fundamental = peak.fundamental;
                    merit = input.total(peak.fundamental);
                    acquired.outside = input
                        .line_outside(&peak, settings.range)
                        .or_else(|| input.lone_line(peak.fundamental))
                        .or_else(|| input.foreign_line(peak.fundamental, settings.range))
                        .filter(|nu| (0.0..0.5).contains(nu))
                        .map(|nu| nu * rate);
                }
                if duration < 0.6
                    && let [transform] = transforms
                {
                    let prior = Some((
                        fundamental,
                        (GRID_RANGE / 3f64.sqrt() * fundamental).powi(2),
                    ));
                    let rounds = if duration * nominal_hz < 1.0 { 0 } else { 5 };
                    let settings = FitSettings {
                        prior: prior.filter(|_| duration * nominal_hz < 2.0),
                        ..settings
                    };
                    if let Some(fitted) =
                        settings.refine(transform, self.centre(0), acquired.fundamental, rounds)
                    {
                        let mut rest = samples.to_vec();
                        fitted.fit.subtract_harmonics(&mut rest);
                        take_off_line(&mut rest);
                        let left = rest.iter().map(|r| r * r).sum::<f64>();
                        // Orders that noise alone explains do not speak for a nominal: their power is given back.
                        let count = rest.len() as f64;
                        let noise = 13.4 * 2.0 * left / (count * count);
                        let given_back: f64 = fitted
                            .fit
                            .harmonics
                            .iter()
                            .map(Complex64::norm_sqr)
                            .filter(|&power| power < noise)
                            .map(|power| 0.5 * count * power)
                            .sum();
                        merit = -(left + given_back);
                        acquired.fundamental = fitted.fit.fundamental;
                    } else {
                        merit = f64::NEG_INFINITY;
                    }
                }
            }
            best = Some(match best {
                None => (merit, acquired),
                Some((other, found)) => {
                    // Gaussian likelihood of two fits with Σr² left: ½N·ln of their ratio.
                    let apart = 0.5 * samples.len() as f64 * (merit / other).ln().abs();
                    let decided = merit >= 0.0 || other >= 0.0 || apart > DECIDED;
                    let (merit, better) = if merit > other {
                        (merit, acquired)
                    } else {
                        (other, found)
                    };
                    (merit, Acquired { decided, ..better })
                }
            });
        }
        best.map_or(
            Acquired {
                nominal_hz: 50.0,
                fundamental: 50.0 / rate,
                outside: None,
                decided: true,
            },
            |(_, acquired)| acquired,
        )
    }
}
