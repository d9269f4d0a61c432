//! Which orders tell the fundamental, and what does not follow it.

use super::comb::{CLOCKED, clocked, common_divisor, step_beside, steps};
use super::evidence::{COMPARABLE, Counted, Evidence, Witness, largest_about};
use super::present::{Foreign, Present};
use super::smear::{SMEARED_FROM, smear};
use crate::hum::line_spectrum::{Line, LineSpectrum};

/// How many times the root-sum of all others an order's RMS may be before it no longer tells the fundamental.
pub(crate) const OUTWEIGHS: f64 = 3.0;
/// Distance from an order's place, cells of 1/T, from which a line can be told to be another's.
const APART_CELLS: f64 = 0.25;
/// Distance up to which a line is the order's own: cells of 1/T, and share of its frequency.
const OWN_CELLS: f64 = 0.5;
const OWN_MOVES: f64 = 1.2e-4;
/// How exactly the other orders have to tell a place, cells of 1/T, for a line there to be of the series.
const FOLLOWS_CELLS: f64 = 0.1;
/// The same of the fundamental, Hz: a grid is off its nominal frequency by some ten times as much.
const FOLLOWS_HZ: f64 = 2e-3;
/// How far beside an order, Hz and cells of 1/T, another's line spoils it, and the share of the order's own RMS it has to have: what an
/// order's own movement leaves beside it is weaker than itself.
const BESIDE_HZ: f64 = 2.0;
const BESIDE_CELLS: f64 = 1.5;
const STRONGER: f64 = 0.75;
/// Deviations beyond which a line's place is not the order's.
pub(crate) const PROVED: f64 = 4.0;
/// How exactly a grid's orders stand on one fundamental over a record in which it wanders, as a share.
const WANDER: f64 = 2e-5;
/// Strength from which a line beside an order is more than noise: one in 100 records of 40 orders.
const BESIDE_STRENGTH: f64 = 12.0;
/// Least distance of lines that one swing leaves beside orders, cells of 1/T, the largest as a share of their frequency, and the share
/// by which their distances may differ.
const SWINGS_CELLS: f64 = 2.0;
const SWINGS_TO: f64 = 0.02;
const SWINGS_ALIKE: f64 = 0.2;
/// How many of them show that.
const SWINGS: usize = 3;
/// Smears of a line within which its own peaks stand.
const SMEARS: f64 = 3.0;
/// How many times the RMS of each of the two orders on either side an order has that is apart from its series in strength, over how
/// many orders either side others' comparable lines are counted, and how many that meet its place by chance are too many.
const APART_IN_STRENGTH: f64 = 3.0;
const COUNTED_ORDERS: f64 = 10.0;
const MEETINGS: f64 = 5e-4;

/// The series as the orders that count have it, and what does not follow it.
pub(super) fn told(nominal_hz: f64, evidence: Evidence, spectrum: &LineSpectrum) -> Present {
    let moves = WANDER.hypot(smear(evidence.fundamental_hz, spectrum));
    let shown = Witness::new(spectrum).shown(evidence.fundamental_hz);
    let is_anothers = |comb: &usize, clocked_hz: Option<f64>| {
        let of_comb = |order: usize| order.is_multiple_of(*comb);
        let own = Series::of(&evidence, spectrum.duration_s, moves, &of_comb);
        own.has_not(&evidence, *comb, spectrum.duration_s, clocked_hz)
    };
    let comb = step_beside(&shown)
        .filter(|comb| is_anothers(comb, Some(nominal_hz)))
        .or_else(|| steps(&evidence).find(|comb| is_anothers(comb, None)));
    let clocked = clocked(&shown, nominal_hz);
    let apart = |order: usize| {
        clocked.contains(&order) || comb.is_some_and(|step| order.is_multiple_of(step))
    };
    let parted = |moves: f64| parted(&evidence, spectrum, &shown, moves, &apart);
    let (mut series, mut foreign) = parted(moves);
    if let Some(swing) = swing(&foreign, &series, &shown, spectrum) {
        (series, foreign) = parted(moves.max(swing));
    }
    let fundamental_hz = series.fundamental_hz;
    let mut found = Present {
        nominal_hz,
        fundamental_hz,
        uncertainty_hz: series.uncertainty_hz,
        duration_s: spectrum.duration_s,
        drifts: false,
        plain: shows_noise(spectrum, fundamental_hz),
        evidence,
        shown: Witness::new(spectrum).shown(fundamental_hz),
        foreign,
    };
    let met = met_by_chance(&found.shown, spectrum, &series);
    let counted: Vec<usize> = found.evidence.orders.iter().map(|own| own.order).collect();
    found.doubt(|order, _| met.contains(&order) || (apart(order) && !counted.contains(&order)));
    found
}

/// The series, and the lines that do not follow it, where its orders stray from one fundamental by a share `moves`.
fn parted(
    evidence: &Evidence,
    spectrum: &LineSpectrum,
    shown: &[(usize, Line)],
    moves: f64,
    apart: &dyn Fn(usize) -> bool,
) -> (Series, Vec<Foreign>) {
    let series = Series::of(evidence, spectrum.duration_s, moves, apart);
    let mut foreign = series.strangers(evidence, spectrum.duration_s);
    let known: Vec<usize> = foreign.iter().map(|other| other.order).collect();
    let beside = beside(spectrum, shown, &series);
    foreign.extend(beside.filter(|other| other.proved || !known.contains(&other.order)));
    (series, foreign)
}

/// The share by which a fundamental swings that leaves the lines beside its orders: those of most strong orders stand off by
/// the same share of their frequencies, as no other origin's do but a comb's at multiples of an order.
fn swing(
    foreign: &[Foreign],
    series: &Series,
    shown: &[(usize, Line)],
    spectrum: &LineSpectrum,
) -> Option<f64> {
    let off = |other: &Foreign| {
        let place = other.order as f64 * series.fundamental_hz;
        let cell = 1.0 / (spectrum.duration_s * place);
        ((other.line.hz / place - 1.0).abs(), cell)
    };
    let told = |(share, cell): &(f64, f64)| *share > SWINGS_CELLS * cell && *share < SWINGS_TO;
    let proved = || foreign.iter().filter(|other| other.proved);
    let beside: Vec<(f64, f64)> = proved().map(off).filter(told).collect();
    let strong = || {
        shown
            .iter()
            .filter(|(_, line)| line.strength > SMEARED_FROM)
    };
    let step = common_divisor(proved().map(|other| other.order));
    if strong().any(|(order, _)| !order.is_multiple_of(step.max(1))) {
        return None;
    }
    let strong = strong().count();
    let like = |share: f64| {
        let near =
            |(own, cell): &&(f64, f64)| (own - share).abs() < SWINGS_ALIKE * share + 0.5 * cell;
        beside.iter().filter(near).count()
    };
    let (share, _) = *beside.iter().max_by_key(|(share, _)| like(*share))?;
    let count = like(share);
    (count >= SWINGS && 2 * count >= strong.max(beside.len())).then_some(share)
}

/// A series as those of its orders have it that tell its place.
struct Series {
    fundamental_hz: f64,
    uncertainty_hz: f64,
    /// How far its orders stray from one fundamental, as a share.
    moves: f64,
    /// Root-sum of those orders.
    rms: f64,
    /// Which of the orders that count tell the place, and which outweigh all others together.
    used: Vec<bool>,
    outweighs: Vec<bool>,
    /// Which may be another's whatever their place.
    doubted: Vec<bool>,
}

/// Deviation of the place in the fundamental's range that an order tells.
fn deviation(counted: &Counted, moves_hz: f64, duration_s: f64) -> f64 {
    (counted.line.place_uncertainty_hz(duration_s) / counted.order as f64).hypot(moves_hz)
}

/// The fundamental that an order tells.
fn place(counted: &Counted) -> f64 {
    counted.line.hz / counted.order as f64
}

impl Series {
    /// Orders that are `apart` tell nothing.
    fn of(evidence: &Evidence, duration_s: f64, moves: f64, apart: &dyn Fn(usize) -> bool) -> Self {
        let squares: Vec<f64> = evidence.orders.iter().map(|o| o.line.rms.powi(2)).collect();
        let all: f64 = squares.iter().sum();
        let outweighs: Vec<bool> = evidence
            .orders
            .iter()
            .zip(&squares)
            .map(|(counted, own)| {
                let alone = *own > OUTWEIGHS * OUTWEIGHS * (all - own);
                counted.order > 1 && squares.len() > 1 && (alone || apart(counted.order))
            })
            .collect();
        let mut used: Vec<bool> = outweighs.iter().map(|o| !o).collect();
        let moves_hz = moves * evidence.fundamental_hz;
        let deviation = |i: usize| deviation(&evidence.orders[i], moves_hz, duration_s);
        let place = |i: usize| place(&evidence.orders[i]);
        let mean = |used: &[bool]| -> Option<(f64, f64)> {
            let (mut sum, mut weights) = (0.0, 0.0);
            for i in (0..used.len()).filter(|&i| used[i]) {
                let w = deviation(i).powi(-2);
                sum += w * place(i);
                weights += w;
            }
            (weights > 0.0).then(|| (sum / weights, weights.powf(-0.5)))
        };
        // Outliers go one by one, the farthest first.
        while let Some((centre, u)) = mean(&used) {
            let miss = |i: usize| (place(i) - centre).abs() / deviation(i).hypot(u);
            let farthest = (0..used.len())
                .filter(|&i| used[i])
                .max_by(|&a, &b| miss(a).total_cmp(&miss(b)));
            match farthest {
                Some(i) if miss(i) > PROVED && used.iter().filter(|u| **u).count() > 2 => {
                    used[i] = false;
                }
                _ => break,
            }
        }
        let (fundamental_hz, uncertainty_hz) =
            mean(&used).unwrap_or((evidence.fundamental_hz, 0.1 / duration_s));
        let own = (0..used.len()).filter(|&i| used[i]).map(|i| squares[i]);
        Self {
            fundamental_hz,
            uncertainty_hz,
            moves,
            rms: own.sum::<f64>().sqrt(),
            used,
            outweighs,
            doubted: evidence.orders.iter().map(|own| apart(own.order)).collect(),
        }
    }

    /// Whether the lines of a comb that tell nothing here are not the series', or stand where a clock of the nominal frequency has
    /// them.
    fn has_not(
        &self,
        evidence: &Evidence,
        comb: usize,
        duration_s: f64,
        clocked_hz: Option<f64>,
    ) -> bool {
        let (mut sum, mut weights) = (0.0, 0.0);
        let members = || {
            evidence
                .orders
                .iter()
                .filter(|own| own.order.is_multiple_of(comb))
        };
        for counted in members() {
            let w = deviation(counted, self.moves * evidence.fundamental_hz, duration_s).powi(-2);
            sum += w * place(counted);
            weights += w;
        }
        let told = self.used.iter().any(|used| *used);
        let highest = members().map(|own| own.order).max().unwrap_or(comb);
        let centre = sum / weights;
        let off_hz = (centre - self.fundamental_hz).abs();
        let miss = off_hz / weights.powf(-0.5).hypot(self.uncertainty_hz);
        let apart = miss > PROVED && highest as f64 * off_hz * duration_s > APART_CELLS;
        let clocked = clocked_hz.is_some_and(|hz| (centre / hz - 1.0).abs() < CLOCKED);
        told && (apart || clocked)
    }

    /// Lines of orders that count and do not follow the others, or may not.
    fn strangers(&self, evidence: &Evidence, duration_s: f64) -> Vec<Foreign> {
        let (fundamental_hz, uncertainty_hz) = (self.fundamental_hz, self.uncertainty_hz);
        let others = self.used.iter().filter(|u| **u).count();
        let stranger = |i: usize| {
            let counted = &evidence.orders[i];
            let apart = (counted.line.hz - counted.order as f64 * fundamental_hz).abs();
            // What may be a clock's has to follow as if nothing moved: then as exactly as the others tell it.
            let moves = if self.doubted[i] { 0.0 } else { self.moves };
            let deviation = deviation(counted, moves * evidence.fundamental_hz, duration_s);
            let miss = (place(counted) - fundamental_hz).abs() / deviation.hypot(uncertainty_hz);
            let proved = miss > PROVED && apart > APART_CELLS / duration_s;
            // Where the others tell the place to a part of a cell, and more exactly than a grid keeps to the round multiples that
            // test tones stand at, a line that stands there follows them.
            let told = counted.order as f64 * uncertainty_hz < FOLLOWS_CELLS / duration_s
                && uncertainty_hz < FOLLOWS_HZ;
            let follows = told && miss <= PROVED && others > 1;
            (miss > PROVED || (self.outweighs[i] && !follows)).then_some(Foreign {
                order: counted.order,
                line: counted.line,
                own: None,
                proved,
            })
        };
        (0..self.used.len())
            .filter(|&i| !self.used[i])
            .filter_map(stranger)
            .collect()
    }
}

/// Lines beside an order's place that are stronger than the order itself, and those that may be two.
fn beside(
    spectrum: &LineSpectrum,
    shown: &[(usize, Line)],
    series: &Series,
) -> impl Iterator<Item = Foreign> {
    let orders = (spectrum.top_hz / series.fundamental_hz) as usize;
    (1..=orders).filter_map(move |order| {
        let place = order as f64 * series.fundamental_hz;
        let moves = OWN_MOVES.max(SMEARS * series.moves);
        let own_cells = OWN_CELLS / spectrum.duration_s + moves * place;
        // A line that outweighs the series or the orders about has a place of its own, exactly.
        let exact = APART_CELLS / spectrum.duration_s
            + SMEARS * series.moves * place
            + PROVED * order as f64 * series.uncertainty_hz;
        let stands_out = |line: &Line| line.rms > APART_IN_STRENGTH * largest_about(shown, order);
        let outweighs =
            |line: &Line| order > 1 && (line.rms > OUTWEIGHS * series.rms || stands_out(line));
        let strongest = |lines: &mut dyn Iterator<Item = &Line>| {
            lines.max_by(|a, b| a.rms.total_cmp(&b.rms)).copied()
        };
        let near = |line: &Line| {
            let reach = if outweighs(line) {
                own_cells.min(exact)
            } else {
                own_cells
            };
            (line.hz - place).abs() <= reach
        };
        let reach = BESIDE_HZ.max(BESIDE_CELLS / spectrum.duration_s);
        let around = || {
            let beside = spectrum.between(place - reach, place + reach);
            beside.map(|(_, line)| line)
        };
        let own = strongest(&mut around().filter(|l| near(l)));
        let seen = |line: &Line| line.strength > BESIDE_STRENGTH;
        let other = strongest(&mut around().filter(|l| !near(l)));
        let other = other.filter(|l| seen(l) && l.rms > STRONGER * own.map_or(0.0, |l| l.rms));
        // Two lines that are not apart have one peak, at neither's place.
        let misses = |line: &Line| {
            let told = (order as f64 * series.uncertainty_hz).hypot(series.moves * place);
            let room = line.place_uncertainty_hz(spectrum.duration_s).hypot(told);
            order > 1 && seen(line) && (line.hz - place).abs() > PROVED * room
        };
        match (other, own.filter(misses)) {
            (Some(line), _) => Some((line, own, true)),
            (None, Some(line)) => Some((line, None, false)),
            (None, None) => None,
        }
        .map(|(line, own, proved)| Foreign {
            order,
            line,
            own,
            proved,
        })
    })
}

/// Orders far stronger than those on either side, in a record with so many lines of another origin that one may well stand there.
fn met_by_chance(shown: &[(usize, Line)], spectrum: &LineSpectrum, series: &Series) -> Vec<usize> {
    let fundamental_hz = series.fundamental_hz;
    let lone = |order: usize, line: &Line| {
        order > 1 && line.rms > APART_IN_STRENGTH * largest_about(shown, order)
    };
    // What stands beside an order may be that order's own movement.
    let of_another = |line: &Line| {
        let multiple = (line.hz / fundamental_hz).round().max(1.0) * fundamental_hz;
        let reach = BESIDE_HZ + SMEARS * series.moves * multiple + 2.0 / spectrum.duration_s;
        (line.hz - multiple).abs() > reach
    };
    let meetings = |line: &Line| {
        let (low, high) = (
            (line.hz - COUNTED_ORDERS * fundamental_hz).max(0.0),
            (line.hz + COUNTED_ORDERS * fundamental_hz).min(spectrum.top_hz),
        );
        let least = (COMPARABLE * line.strength).max(spectrum.rare_strength());
        let others = spectrum
            .between(low, high)
            .filter(|(_, other)| other.strength > least && of_another(other))
            .count();
        others as f64 * 2.0 * OWN_CELLS / (spectrum.duration_s * (high - low))
    };
    let met = |(order, line): &&(usize, Line)| {
        line.strength > BESIDE_STRENGTH && lone(*order, line) && meetings(line) > MEETINGS
    };
    shown.iter().filter(met).map(|(order, _)| *order).collect()
}

/// Whether a spectrum shows nothing but noise and lines at the multiples of a frequency.
pub(super) fn shows_noise(spectrum: &LineSpectrum, hz: f64) -> bool {
    !spectrum.rises_below(hz) && !spectrum.has_other_lines(hz)
}
