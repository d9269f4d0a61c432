//! Which nominal frequency a record has, and where its series starts.

use super::density::take_off_line;
use super::noise::rough_noise;
use super::segmented::Segmented;
use crate::analysis::options::GRID_RANGE;
use crate::analysis::record::AliasedMains;
use crate::analysis::series::{FitSettings, SearchInput, Searched};
use crate::spectrum::{Density, Nudft};
use rustfft::num_complex::Complex64;

/// Log-likelihood by which one nominal of a short record must lead the other: 1000 to 1.
const DECIDED: f64 = 6.9;
/// Factor between what the two leave below which, in less than two cycles, both may leave hum, which is no noise.
const PLAIN: f64 = 1.5;
/// Cycles below which there is no search, and below which the frequency is not refined.
const SEARCHED_CYCLES: f64 = 2.0;
const REFINED_CYCLES: f64 = 1.0;
/// Length of records short enough for a joint fit to tell the nominals apart, s, and its rounds.
const SHORT_S: f64 = 0.6;
const ROUNDS: usize = 5;
/// |c|² over its variance a component up to which an order of a short record is noise: one in 800 passes.
const NOISE: f64 = 13.4;
/// Variance of a Hann-weighted coefficient's sum against the noise's a sample.
const HANN: f64 = 0.375;

/// Where the series may lie.
pub(super) struct Acquired {
    pub(super) nominal_hz: f64,
    pub(super) fundamental: f64,
    /// A line outside the grid's range that the search ran into, Hz.
    pub(super) outside: Option<f64>,
    /// Whether the other nominal is ruled out.
    pub(super) decided: bool,
}

impl Acquired {
    fn at(nominal_hz: f64, rate_hz: f64, decided: bool) -> Self {
        Self {
            nominal_hz,
            fundamental: nominal_hz / rate_hz,
            outside: None,
            decided,
        }
    }
}

/// Chooses nominal and start of the fundamental in `samples` with their segments' `transforms`.
pub(super) fn acquire(
    segmented: &Segmented<'_>,
    samples: &[f64],
    transforms: &[Nudft],
    total: &Density,
) -> Acquired {
    let rate = segmented.rate_hz();
    let (nominals, folded) = carried(segmented);
    // A nominal that folds onto the one that is carried is not told from it.
    let alone = |hz: f64| {
        !folded
            .iter()
            .filter_map(|&other| AliasedMains::of(other, rate))
            .any(|other| other.may_be(hz * (1.0 - GRID_RANGE), hz * (1.0 + GRID_RANGE)))
    };
    let common = nominals
        .iter()
        .map(|&hz| segmented.highest_order(hz))
        .min()
        .unwrap_or(0);
    let top = nominals.iter().fold(0.0, |top: f64, &hz| top.max(hz)) * common as f64;
    let trial = Trial {
        segmented,
        samples,
        transforms,
        total,
        searched: Searched::new(transforms, (1.0 + GRID_RANGE) * top / rate),
        orders: common,
    };
    let mut best: Option<(f64, Acquired)> = None;
    for nominal_hz in nominals {
        let (merit, acquired) = trial.of(nominal_hz, alone(nominal_hz));
        best = Some(match best {
            None => (merit, acquired),
            Some((other, found)) => {
                // Gaussian likelihood of two fits with Σr² left: ½N·ln of their ratio.
                let apart = 0.5 * samples.len() as f64 * (merit / other).ln().abs();
                let short = samples.len() as f64 * nominal_hz < SEARCHED_CYCLES * rate;
                let plain = !short || apart > 0.5 * samples.len() as f64 * PLAIN.ln();
                let decided = merit >= 0.0 || other >= 0.0 || (apart > DECIDED && plain);
                let (merit, better) = if merit > other {
                    (merit, acquired)
                } else {
                    (other, found)
                };
                (merit, Acquired { decided, ..better })
            }
        });
    }
    best.map_or_else(|| Acquired::at(50.0, rate, true), |best| best.1)
}

/// The nominal frequencies that the rate carries, and the others; all where it carries none.
fn carried(segmented: &Segmented<'_>) -> (Vec<f64>, Vec<f64>) {
    let all = segmented.options().mains.nominals_hz();
    let (carried, folded): (Vec<f64>, Vec<f64>) =
        all.iter().partition(|&&hz| segmented.highest_order(hz) > 0);
    if carried.is_empty() {
        return (all.to_vec(), Vec::new());
    }
    (carried, folded)
}

/// Nominal frequencies tried on equal terms.
struct Trial<'a> {
    segmented: &'a Segmented<'a>,
    samples: &'a [f64],
    transforms: &'a [Nudft],
    total: &'a Density,
    searched: Searched<'a>,
    /// Orders that the rate carries of each of them.
    orders: usize,
}

impl Trial<'_> {
    /// Where the series of a nominal frequency lies, and how well it fits: power found, or less what is left.
    fn of(&self, nominal_hz: f64, decided: bool) -> (f64, Acquired) {
        let rate = self.segmented.rate_hz();
        let fundamental = nominal_hz / rate;
        let mut acquired = Acquired::at(nominal_hz, rate, decided);
        if self.orders == 0 {
            return (0.0, acquired);
        }
        let range = (
            fundamental * (1.0 - GRID_RANGE),
            fundamental * (1.0 + GRID_RANGE),
        );
        let noise = rough_noise(self.total, rate, nominal_hz, self.orders);
        let settings = FitSettings::new(self.orders, noise, range);
        let duration = self.samples.len() as f64 / rate;
        let mut merit = 0.0;
        if duration * nominal_hz >= SEARCHED_CYCLES {
            merit = self.search(&settings, &mut acquired);
        }
        if duration < SHORT_S
            && let [transform] = self.transforms
        {
            merit = self.fit_short(settings, transform, &mut acquired);
        }
        (merit, acquired)
    }

    /// The highest peak of the series' power within the range.
    fn search(&self, settings: &FitSettings, acquired: &mut Acquired) -> f64 {
        let length = self.segmented.length() as f64;
        let cells: Vec<f64> = settings.noise[1..]
            .iter()
            .map(|v| v * HANN * length)
            .collect();
        let input = SearchInput::new(&self.searched, &cells);
        let peak = input.peak(settings.range.0, settings.range.1);
        acquired.fundamental = peak.fundamental;
        acquired.outside = input
            .line_outside(&peak, settings.range)
            .or_else(|| input.lone_line(peak.fundamental))
            .or_else(|| input.foreign_line(peak.fundamental, settings.range))
            .filter(|nu| (0.0..0.5).contains(nu))
            .map(|nu| nu * self.segmented.rate_hz());
        input.total(peak.fundamental)
    }

    /// A joint fit of a short record; less what it leaves, the power given back that noise alone explains.
    fn fit_short(&self, settings: FitSettings, transform: &Nudft, acquired: &mut Acquired) -> f64 {
        let cycles = self.samples.len() as f64 / self.segmented.rate_hz() * acquired.nominal_hz;
        let nominal = acquired.nominal_hz / self.segmented.rate_hz();
        let rounds = if cycles < REFINED_CYCLES { 0 } else { ROUNDS };
        let settings = FitSettings {
            prior: (cycles < SEARCHED_CYCLES)
                .then(|| (nominal, (GRID_RANGE / 3f64.sqrt() * nominal).powi(2))),
            ..settings
        };
        let centre = self.segmented.centre(0);
        let Some(fitted) = settings.refine(transform, centre, acquired.fundamental, rounds) else {
            return f64::NEG_INFINITY;
        };
        let mut rest = self.samples.to_vec();
        fitted.fit.subtract_harmonics(&mut rest);
        take_off_line(&mut rest);
        let left = rest.iter().map(|r| r * r).sum::<f64>();
        // Orders that noise alone explains do not speak for a nominal: their power is given back.
        let count = rest.len() as f64;
        let noise = NOISE * 2.0 * left / (count * count);
        let given_back: f64 = fitted
            .fit
            .harmonics
            .iter()
            .map(Complex64::norm_sqr)
            .filter(|&power| power < noise)
            .map(|power| 0.5 * count * power)
            .sum();
        acquired.fundamental = fitted.fit.fundamental;
        -(left + given_back)
    }
}
