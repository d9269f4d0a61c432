//! How much a spectrum speaks for a series on one fundamental.
//!
//! Every order that has a line of its own where it belongs counts, by the line's strength, but no more than the chance allows
//! that a line of that strength stands there for another reason: the record's own other lines say how great that is.

use crate::hum::line_spectrum::{Line, LineSpectrum};
use std::sync::OnceLock;

/// Highest order that counts.
const TOP_ORDER: usize = 40;
/// Most that one order counts: beyond, it is there.
const MOST_PER_ORDER: f64 = 20.0;
/// What the noise alone gives an order, and how that grows with ln(1 + k): more places to choose from.
const BY_CHANCE: (f64, f64) = (3.0, 0.9);
/// Distance from its place at which a line still serves an order: cells of 1/T, the same over the root of the strength, and
/// the share of its frequency by which a grid moves within a record.
const TOLERANCE: (f64, f64, f64) = (0.15, 1.2, 1.2e-4);
/// Neighbourhood, Hz and cells of 1/T, whose other lines say how likely a chance meeting is; and how much weaker they may be.
const AROUND: (f64, f64) = (60.0, 20.0);
pub(super) const COMPARABLE: f64 = 0.25;
/// Ratios to a grid's fundamental of those whose orders are a grid's as well, but not all of a grid's harmonics: in parts of two to
/// five.
const RIVALS: [(u8, u8); 17] = [
    (3, 2),
    (5, 2),
    (2, 3),
    (4, 3),
    (5, 3),
    (7, 3),
    (3, 4),
    (5, 4),
    (7, 4),
    (9, 4),
    (3, 5),
    (4, 5),
    (6, 5),
    (7, 5),
    (8, 5),
    (9, 5),
    (11, 5),
];
/// Parts of a grid's fundamental on which another's series may have all of a grid's orders, how many of those between have to show for
/// one that does, and how far a grid's own order stands out of them.
const PARTS: std::ops::RangeInclusive<usize> = 2..=5;
const BETWEEN: f64 = 0.7;
const OWN_STANDS_OUT: f64 = 2.0;
/// Step of the fundamental, cells of 1/T, that makes no difference.
const STEP_CELLS: f64 = 0.005;

/// An order that counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Counted {
    pub(crate) order: usize,
    pub(crate) line: Line,
    /// What it counts.
    pub(crate) worth: f64,
}

/// The evidence for a fundamental.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Evidence {
    pub(crate) fundamental_hz: f64,
    pub(crate) total: f64,
    /// Without the strongest order: what one foreign line cannot make.
    pub(crate) rest: f64,
    pub(crate) orders: Vec<Counted>,
}

impl Evidence {
    pub(crate) fn lines(&self) -> impl Iterator<Item = Line> {
        self.orders.iter().map(|counted| counted.line)
    }

    /// Whether its odd orders beside the first outweigh the even ones, as mains hum's do and those of what turns do not.
    pub(crate) fn is_mainly_odd(&self) -> bool {
        let power = |odd: bool| -> f64 {
            let own = self
                .orders
                .iter()
                .filter(|own| own.order > 1 && (own.order % 2 == 1) == odd);
            own.map(|own| own.line.rms.powi(2)).sum()
        };
        power(true) > power(false)
    }

    /// Sum of the orders' squared RMS.
    pub(crate) fn power(&self) -> f64 {
        self.lines().map(|line| line.rms.powi(2)).sum()
    }
}

/// The largest RMS among the two orders on either side of one, of the lines that show.
pub(super) fn largest_about(shown: &[(usize, Line)], order: usize) -> f64 {
    let from = shown.partition_point(|(other, _)| other + 2 < order);
    shown[from..]
        .iter()
        .take_while(|(other, _)| *other <= order + 2)
        .filter(|(other, _)| *other != order)
        .map(|(_, line)| line.rms)
        .fold(0.0, f64::max)
}

/// Evidence on one spectrum.
#[derive(Debug, Clone)]
pub(crate) struct Witness<'a> {
    spectrum: &'a LineSpectrum,
    /// Strength of the weakest line.
    weakest: f64,
    /// Lines of comparable strength around each, once asked for.
    comparable: Vec<OnceLock<usize>>,
}

impl<'a> Witness<'a> {
    pub(crate) fn new(spectrum: &'a LineSpectrum) -> Self {
        Self {
            spectrum,
            weakest: spectrum
                .lines
                .iter()
                .map(|line| line.strength)
                .fold(f64::INFINITY, f64::min),
            comparable: vec![OnceLock::new(); spectrum.lines.len()],
        }
    }

    /// How far from its place a line serves.
    fn tolerance_hz(&self, line: &Line) -> f64 {
        let (cells, by_strength, moving) = TOLERANCE;
        (cells + by_strength / line.strength.sqrt()) / self.spectrum.duration_s + moving * line.hz
    }

    /// The strongest line that serves a place.
    pub(crate) fn serving(&self, hz: f64) -> Option<(usize, &Line)> {
        let (cells, by_strength, moving) = TOLERANCE;
        let reach = (cells + by_strength) / self.spectrum.duration_s + moving * hz;
        self.spectrum
            .between(hz - reach, hz + reach)
            .filter(|(_, line)| (line.hz - hz).abs() < self.tolerance_hz(line))
            .max_by(|a, b| a.1.strength.total_cmp(&b.1.strength))
    }

    /// The line at each order's place, where one shows, by order.
    pub(crate) fn shown(&self, fundamental_hz: f64) -> Vec<(usize, Line)> {
        (1..=(self.spectrum.top_hz / fundamental_hz) as usize)
            .filter_map(|order| {
                let (_, line) = self.serving(order as f64 * fundamental_hz)?;
                Some((order, *line))
            })
            .collect()
    }

    /// How many lines of comparable strength that are no order of `fundamental_hz` lie in a width of `within_hz` near a line.
    pub(crate) fn expected_by_chance(
        &self,
        own: usize,
        fundamental_hz: f64,
        within_hz: f64,
    ) -> f64 {
        let line = self.spectrum.lines[own];
        let around = AROUND.0.max(AROUND.1 / self.spectrum.duration_s);
        let (low, high) = (
            (line.hz - around).max(0.0),
            (line.hz + around).min(self.spectrum.top_hz),
        );
        let counts =
            |i: usize, other: &Line| i != own && other.strength > COMPARABLE * line.strength;
        let all = *self.comparable[own].get_or_init(|| {
            let near = self.spectrum.between(low, high);
            near.filter(|(i, other)| counts(*i, other)).count()
        });
        // Without those that are orders of the fundamental.
        let first = (low / fundamental_hz).round().max(1.0) as usize;
        let last = (high / fundamental_hz).round().max(1.0) as usize;
        let orders: usize = if all == 0 {
            0
        } else {
            (first..=last)
                .map(|order| self.at_order(order, fundamental_hz, (low, high), &counts))
                .sum()
        };
        (all - orders) as f64 * within_hz / (high - low).max(within_hz)
    }

    /// How many of the lines between two frequencies serve an order.
    fn at_order(
        &self,
        order: usize,
        fundamental_hz: f64,
        (low_hz, high_hz): (f64, f64),
        counts: &impl Fn(usize, &Line) -> bool,
    ) -> usize {
        let multiple = order as f64 * fundamental_hz;
        let half = 0.5 * fundamental_hz;
        let widest = self.tolerance_hz(&Line {
            hz: multiple + half,
            strength: self.weakest,
            ..self.spectrum.lines[0]
        });
        let reach = widest.min(half);
        // The first order has all that lies below it.
        let below = if order == 1 { widest } else { reach };
        self.spectrum
            .between(
                (multiple - below).max(low_hz),
                (multiple + reach).min(high_hz),
            )
            .filter(|(i, other)| {
                counts(*i, other)
                    && (other.hz / fundamental_hz).round().max(1.0) as usize == order
                    && (other.hz - multiple).abs() < self.tolerance_hz(other)
            })
            .count()
    }

    /// Most that a line may count: −ln of the chance that one like it stands there.
    fn ceiling(&self, own: usize, fundamental_hz: f64) -> f64 {
        let width = 2.0 * self.tolerance_hz(&self.spectrum.lines[own]);
        let expected = self.expected_by_chance(own, fundamental_hz, width);
        if expected > 0.0 {
            -(-(-expected).exp_m1()).ln()
        } else {
            MOST_PER_ORDER
        }
    }

    /// The evidence for one fundamental.
    pub(crate) fn of(&self, fundamental_hz: f64) -> Evidence {
        self.without(fundamental_hz, &[])
    }

    /// The fundamental of the most evidence between two frequencies, with what no machine makes of it: where a series some of whose
    /// orders fall on this one's has more to say, its lines count for nothing. A fan at 75 Hz has lines at the third, sixth and
    /// ninth multiple of 50 Hz. Rivals take evidence away alone: less than `needed` is left as it is.
    pub(crate) fn best_beside_rivals(&self, range_hz: (f64, f64), needed: f64) -> Evidence {
        let found = self.best(range_hz, |e| e.total);
        if found.total <= needed {
            return found;
        }
        let mut taken: Vec<Line> = Vec::new();
        for (of, by) in RIVALS {
            let rival = self.of(found.fundamental_hz * f64::from(of) / f64::from(by));
            if rival.rest > found.rest && rival.orders.len() > found.orders.len() {
                taken.extend(rival.lines());
            }
        }
        for part in PARTS {
            taken.extend(self.of_finer(&found, part));
        }
        if taken.is_empty() {
            return found;
        }
        self.without(found.fundamental_hz, &taken)
    }

    /// Whether a line of a series is one of many on a part of its fundamental.
    pub(crate) fn is_of_finer(&self, found: &Evidence, line: &Line) -> bool {
        PARTS
            .into_iter()
            .any(|part| self.of_finer(found, part).contains(line))
    }

    /// The lines of a series that are no more than others on a part of its fundamental: what repeats 25 times a second has lines
    /// wherever the mains of 50 Hz may, and as many between.
    fn of_finer(&self, found: &Evidence, part: usize) -> Vec<Line> {
        let finer_hz = found.fundamental_hz / part as f64;
        let highest = found.orders.last().map_or(0, |own| own.order);
        let shows = |order: &usize| {
            let hz = *order as f64 * finer_hz;
            let by_chance = BY_CHANCE.0 + BY_CHANCE.1 * (1.0 + *order as f64).ln();
            let (_, line) = self.serving(hz)?;
            (line.strength > 2.0 * by_chance).then_some((*order, *line))
        };
        let shown: Vec<(usize, Line)> = (1..part * (highest + 1))
            .filter_map(|order| shows(&order))
            .collect();
        let between = shown
            .iter()
            .filter(|(order, _)| !order.is_multiple_of(part));
        let slots = (found.orders.len() * (part - 1)) as f64;
        if (between.count() as f64) < BETWEEN * slots {
            return Vec::new();
        }
        let stands_out = |own: &&Counted| {
            own.line.rms > OWN_STANDS_OUT * largest_about(&shown, own.order * part)
        };
        let own = found.orders.iter().filter(|own| !stands_out(own));
        own.map(|own| own.line).collect()
    }

    /// The evidence for a fundamental from all lines but these.
    fn without(&self, fundamental_hz: f64, taken: &[Line]) -> Evidence {
        let mut found = Evidence {
            fundamental_hz,
            ..Evidence::default()
        };
        let top = ((self.spectrum.top_hz / fundamental_hz) as usize).min(TOP_ORDER);
        let mut largest: f64 = 0.0;
        for order in 1..=top {
            let Some((i, line)) = self.serving(order as f64 * fundamental_hz) else {
                continue;
            };
            if taken.contains(line) {
                continue;
            }
            let by_chance = BY_CHANCE.0 + BY_CHANCE.1 * (1.0 + order as f64).ln();
            let strength = line.strength.min(MOST_PER_ORDER);
            if strength <= by_chance {
                continue;
            }
            let evidence = strength.min(self.ceiling(i, fundamental_hz)) - by_chance;
            if evidence > 0.0 {
                found.total += evidence;
                largest = largest.max(evidence);
                found.orders.push(Counted {
                    order,
                    line: *line,
                    worth: evidence,
                });
            }
        }
        found.rest = found.total - largest;
        found
    }

    /// The fundamental between two frequencies for which `measure` of the evidence is largest.
    pub(crate) fn best(
        &self,
        (low_hz, high_hz): (f64, f64),
        measure: fn(&Evidence) -> f64,
    ) -> Evidence {
        let mut places: Vec<f64> = Vec::new();
        for line in self
            .spectrum
            .lines
            .iter()
            .filter(|l| l.strength > BY_CHANCE.0)
        {
            let first = (line.hz / high_hz).ceil().max(1.0) as usize;
            let last = ((line.hz / low_hz).floor() as usize).min(TOP_ORDER);
            places.extend((first..=last).map(|k| line.hz / k as f64));
        }
        places.sort_by(f64::total_cmp);
        let step = STEP_CELLS / self.spectrum.duration_s;
        places.dedup_by(|later, earlier| *later - *earlier < step);
        let mut best = Evidence::default();
        for place in places {
            let found = self.of(place);
            if measure(&found) > measure(&best) {
                best = found;
            }
        }
        best
    }
}
