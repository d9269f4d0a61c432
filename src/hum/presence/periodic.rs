//! Another's periodic signal: the series on a fundamental that no grid has.

use super::evidence::{Counted, Evidence, Witness, largest_about};
use crate::hum::SLOW_TO;
use crate::hum::line_spectrum::{Line, LineSpectrum};

/// Which multiple of the fundamental a strongest line may be.
const STRONGEST_AT: usize = 8;
/// How many of the strongest lines are tried.
const TRIED: usize = 3;
/// How far from such a line's own word the fundamental is looked for, cells of 1/T.
const AROUND_CELLS: f64 = 0.25;
/// Orders and evidence that make a periodic signal: four lines where they belong.
const LEAST_ORDERS: usize = 4;
const LEAST_EVIDENCE: f64 = 30.0;
/// Share of the best evidence that the highest fundamental has to have: each of its parts has all its lines and some by chance.
const AS_GOOD: f64 = 0.85;
/// Cells of 1/T that lines have to be apart for those of noise not to pass for them.
const LEAST_CELLS: f64 = 6.0;
/// How near to a nominal frequency or its double a fundamental may be a grid's, as a share.
pub(super) const OF_GRID: f64 = 0.021;
/// How many times as many orders a grid has that a series is made of parts of.
const MANY_MORE: usize = 2;
/// Share of the strongest line's RMS below which a line tells of no other signal.
const WORTH: f64 = 0.1;
/// How many times the largest of its neighbours' RMS an order may have and be the periodic signal's.
const STANDS_OUT: f64 = 2.0;

/// The lines of the series that one of the record's strongest lines is of, where no grid within a share `reach` of one
/// of `nominals_hz` has that series.
pub(super) fn others_series(spectrum: &LineSpectrum, nominals_hz: &[f64], reach: f64) -> Vec<Line> {
    let strongest = strongest_of(spectrum);
    let alone = |line: &&Line| is_grids(line.hz, nominals_hz, reach) && is_alone(line, spectrum);
    if strongest.first().is_none_or(alone) {
        return Vec::new();
    }
    let witness = Witness::new(spectrum);
    let grids = Grids::new(nominals_hz, reach, &witness);
    let found = strongest.into_iter().find_map(|line| {
        let own = series_of(line, &witness, spectrum.duration_s)?;
        let apart = own
            .orders
            .iter()
            .filter(|counted| !grids.have(counted, &own));
        let hidden = grids.hidden(&own);
        let stands = apart.count() + hidden.min(1) >= LEAST_ORDERS
            && own.total >= LEAST_EVIDENCE
            && own.fundamental_hz * spectrum.duration_s >= LEAST_CELLS;
        (stands && !is_grids(own.fundamental_hz, nominals_hz, reach)).then_some(own)
    });
    found.map_or_else(Vec::new, |own| lines_of(&own, &witness, grids.hidden(&own)))
}

/// Whether a frequency is a grid's or twice that.
fn is_grids(hz: f64, nominals_hz: &[f64], reach: f64) -> bool {
    let near = |grid_hz: f64| (hz / grid_hz - 1.0).abs() < reach;
    nominals_hz
        .iter()
        .any(|nominal| near(*nominal) || near(2.0 * nominal))
}

/// The series that a record may have at the nominal frequencies.
struct Grids<'a> {
    nominals_hz: &'a [f64],
    reach: f64,
    series: Vec<Evidence>,
}

impl<'a> Grids<'a> {
    fn new(nominals_hz: &'a [f64], reach: f64, witness: &Witness<'_>) -> Self {
        let series = |nominal: &f64| {
            let range = ((1.0 - reach) * nominal, (1.0 + reach) * nominal);
            witness.best(range, |e| e.total)
        };
        Self {
            nominals_hz,
            reach,
            series: nominals_hz.iter().map(series).collect(),
        }
    }

    /// How many of a series' first orders may have been taken off with slow content.
    fn hidden(&self, own: &Evidence) -> usize {
        let lowest_hz = self
            .nominals_hz
            .iter()
            .copied()
            .fold(f64::INFINITY, f64::min);
        let shown = own.orders.first().map_or(1, |counted| counted.order);
        let slow = |order: &usize| *order as f64 * own.fundamental_hz < SLOW_TO * lowest_hz;
        (1..shown).take_while(slow).count()
    }

    /// Whether an order of a series stands where a grid's would as well, or belongs to a grid with many more: it proves nothing.
    fn have(&self, counted: &Counted, own: &Evidence) -> bool {
        let common = self.nominals_hz.iter().any(|nominal| {
            let multiple = (nominal / own.fundamental_hz).round();
            let whole = (multiple * own.fundamental_hz / nominal - 1.0).abs() < self.reach;
            whole && counted.order.is_multiple_of((multiple as usize).max(1))
        });
        let richer = |grid: &&Evidence| grid.orders.len() >= MANY_MORE * own.orders.len();
        let mut richer = self.series.iter().filter(richer);
        common || richer.any(|grid| grid.lines().any(|line| line == counted.line))
    }
}

/// The series of the highest fundamental that a line belongs to as well as to any.
fn series_of(line: &Line, witness: &Witness<'_>, duration_s: f64) -> Option<Evidence> {
    let reach = AROUND_CELLS / duration_s;
    let series: Vec<Evidence> = (1..=STRONGEST_AT)
        .map(|part| {
            let part = part as f64;
            witness.best(((line.hz - reach) / part, (line.hz + reach) / part), |e| {
                e.total
            })
        })
        .collect();
    let best = series.iter().map(|e| e.total).fold(0.0, f64::max);
    series.into_iter().find(|e| e.total >= AS_GOOD * best)
}

/// The strongest lines, first the very strongest: the mains' own may stand within a cell of one of them and bend it.
fn strongest_of(spectrum: &LineSpectrum) -> Vec<&Line> {
    let mut lines: Vec<&Line> = spectrum.lines.iter().collect();
    let tried = TRIED.min(lines.len());
    if tried > 0 {
        lines.select_nth_unstable_by(tried - 1, |a, b| b.strength.total_cmp(&a.strength));
        lines.truncate(tried);
        lines.sort_by(|a, b| b.strength.total_cmp(&a.strength));
    }
    lines
}

/// Whether all lines worth speaking of stand at multiples of the strongest one's frequency.
fn is_alone(strongest: &Line, spectrum: &LineSpectrum) -> bool {
    let room = 2.0 / spectrum.duration_s;
    spectrum.lines.iter().all(|line| {
        let multiple = (line.hz / strongest.hz).round() * strongest.hz;
        line.rms < WORTH * strongest.rms || (line.hz - multiple).abs() < room + OF_GRID * multiple
    })
}

/// The lines of a periodic signal, those above the orders that count as well, without those that stand out from their neighbours:
/// what is there beside it. Whether a line stands out is not known next to so many `hidden` first orders.
fn lines_of(own: &Evidence, witness: &Witness<'_>, hidden: usize) -> Vec<Line> {
    // The highest order tells the fundamental best.
    let fundamental_hz = own.orders.last().map_or(own.fundamental_hz, |counted| {
        counted.line.hz / counted.order as f64
    });
    let shown = witness.shown(fundamental_hz);
    let fits = |(order, line): &&(usize, Line)| {
        *order <= 2 + hidden || line.rms <= STANDS_OUT * largest_about(&shown, *order)
    };
    shown.iter().filter(fits).map(|(_, line)| *line).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hum::{Presence, look};
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    use std::f64::consts::TAU;

    const RATE_HZ: f64 = 4000.0;
    const NOMINALS_HZ: [f64; 2] = [50.0, 60.0];

    /// Two seconds of noise and of `lines`: frequency and amplitude.
    fn record(lines: impl IntoIterator<Item = (f64, f64)>) -> Vec<f64> {
        sampled(lines, RATE_HZ, 8000)
    }

    fn sampled(lines: impl IntoIterator<Item = (f64, f64)>, rate_hz: f64, count: u32) -> Vec<f64> {
        let lines: Vec<(f64, f64)> = lines.into_iter().collect();
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        (0..count)
            .map(|n| {
                let t = f64::from(n) / rate_hz;
                let draw: f64 = StandardNormal.sample(&mut rng);
                let tones = lines.iter().enumerate();
                let sum: f64 = tones
                    .map(|(i, (hz, height))| height * (TAU * hz * t + i as f64).cos())
                    .sum();
                sum + 0.01 * draw
            })
            .collect()
    }

    /// A square wave's lines up to 1600 Hz.
    fn square(hz: f64) -> impl Iterator<Item = (f64, f64)> {
        let orders = (1..).step_by(2).map(f64::from);
        orders
            .map(move |k| (k * hz, 3.0 / k))
            .take_while(|(line_hz, _)| *line_hz < 1600.0)
    }

    /// Hum of six orders.
    fn hum(hz: f64) -> impl Iterator<Item = (f64, f64)> {
        (1..=6).map(move |k| (f64::from(k) * hz, 0.5 / f64::from(k)))
    }

    fn found(samples: &[f64]) -> Option<f64> {
        match look(samples, RATE_HZ, &NOMINALS_HZ) {
            Presence::Present(seen) => Some(seen.fundamental_hz),
            _ => None,
        }
    }

    #[test]
    fn a_square_waves_third_is_no_mains() {
        for hz in [20.02, 16.68, 29.98, 180.3] {
            assert_eq!(found(&record(square(hz))), None, "{hz} Hz");
        }
    }

    /// Orders from one on that fall with their square, even ones of a tenth.
    fn falling(hz: f64, from: u8) -> impl Iterator<Item = (f64, f64)> {
        (from..15).map(move |order| {
            let k = f64::from(order);
            let height = if order % 2 == 0 { 0.3 } else { 3.0 };
            (k * hz, height / (k * k))
        })
    }

    #[test]
    fn the_third_of_a_railways_supply_is_no_mains() {
        // Its first order taken off with slow content: the third stands out from what is left.
        assert_eq!(found(&record(falling(16.68, 3))), None);
        // Half a minute, in whose parts the third alone stands at a grid's place.
        let samples = sampled(falling(16.66, 1), 250.0, 8000);
        assert!(!matches!(
            look(&samples, 250.0, &NOMINALS_HZ),
            Presence::Present(_)
        ));
    }

    #[test]
    fn mains_is_seen_beside_a_square_wave() {
        // The third, fifth and half of 60 Hz, a decoy's place, three times 60 Hz.
        for hz in [20.02, 12.01, 29.98, 41.3, 180.3] {
            let samples = record(square(hz).chain(hum(50.03)));
            let seen = found(&samples).unwrap_or_default();
            assert!((seen - 50.03).abs() < 0.02, "{hz} Hz: {seen}");
        }
    }

    #[test]
    fn the_stronger_of_two_grids_is_the_mains_though_it_has_fewer_orders() {
        let strong = [(59.94, 2.0), (179.82, 0.2), (299.7, 0.1)];
        let weak = (1..=24).map(|k| (f64::from(k) * 50.05, 0.5 / f64::from(k)));
        let seen = found(&record(strong.into_iter().chain(weak))).unwrap_or_default();
        assert!((seen - 59.94).abs() < 0.02, "{seen}");
    }

    #[test]
    fn what_stands_out_of_a_periodic_signal_is_not_its() {
        let samples = record(square(20.0).chain([(100.1, 3.0)]));
        let spectrum = LineSpectrum::new(&samples, None, RATE_HZ, 1600.0).expect("long enough");
        let others = others_series(&spectrum, &NOMINALS_HZ, OF_GRID);
        assert!(others.len() > 15, "{}", others.len());
        assert!(others.iter().all(|line| (line.hz - 100.0).abs() > 5.0));
    }
}
