//! Shift and gain on which most orders of a template and of a record agree.

use super::series::{Template, series};
use crate::separation::fit::Fit;
use crate::separation::left_power::LeftPower;
use crate::{Error, ErrorKind};
use rustfft::num_complex::Complex64;
use std::f64::consts::PI;

/// Share of the aligned orders' power that may be left unexplained.
const WORST_MISFIT: f64 = 0.1;
/// Share of the template's power that has to agree.
const LEAST_AGREED: f64 = 0.5;
/// Relative change of single orders between the captures that a first alignment allows for, and the most that is put down
/// to the load.
const FIRST_TOLERANCE: f64 = 0.03;
const MOST_TOLERANCE: f64 = 0.3;
/// Squared misfit over its variance at which it is cut where that change is sought, the mean of what is left of an exponential
/// one, and its variance.
const CUT: f64 = 3.0;
const MEAN_CUT: f64 = 0.950;
const VARIANCE_CUT: f64 = 0.599;
/// Share of the orders, one at least, that may hold a signal of their own.
const STRANGERS: f64 = 0.1;
/// One-sided quantile for the most that orders may have changed unseen: 95 %.
const UNSEEN: f64 = 1.645;
/// Squared misfit over its variance from which an order's say is cut down, and beyond which it disagrees.
const BOUNDED: f64 = 9.0;
const DISAGREES: f64 = 16.0;
/// Shifts tried in a cycle of the highest order, and rounds of refinement.
const SHIFTS: f64 = 24.0;
const ROUNDS: usize = 20;
/// Halvings in which a change is sought: to a millionth of the most.
const HALVINGS: usize = 20;

/// How a template lies on a series.
pub(super) struct Alignment {
    pub(super) shift_cycles: f64,
    pub(super) gain: f64,
    /// Orders (indices into the template) that agree.
    pub(super) agreeing: Vec<usize>,
    /// Unexplained share of the agreeing orders' power.
    pub(super) misfit: f64,
    /// Share of the template's orders that agree.
    pub(super) share: f64,
    gain_variance: f64,
    shift_variance: f64,
    /// Usual relative change of an order between the captures, squared: as it shows, and what may be unseen.
    change: f64,
    most_change: f64,
    /// By order of the template: what the record says of it, where it agrees.
    own: Vec<Option<Own>>,
}

/// Mean squares of what an aligned template leaves.
pub(super) struct Doubts {
    /// By the errors of template, gain and shift.
    pub(super) left: LeftPower,
    /// By changes of orders that show.
    pub(super) changed: f64,
    /// By changes that may not show.
    pub(super) unseen: f64,
}

/// An order as the record shows it.
#[derive(Clone, Copy)]
struct Own {
    amplitude: Complex64,
    variance: f64,
}

impl Alignment {
    /// Finds the shift and gain on which most orders agree.
    ///
    /// # Errors
    /// `BadValue` where too few do.
    pub(super) fn new(template: &Template, fitted: &Fit) -> Result<Self, Error> {
        let pairs = Pairs::new(template, fitted);
        if pairs.0.is_empty() {
            return Err(refusal("they have no harmonic in common"));
        }
        let first = pairs.refined(pairs.rough(), FIRST_TOLERANCE.powi(2));
        let change = pairs.change(&first, pairs.usual());
        let found = pairs.refined((first.shift, first.gain), change);
        let most_change = pairs.change(&found, pairs.least());
        let agrees = |p: &&Pair| {
            let (squares, scale) = p.misfit(found.shift, found.gain, change);
            squares < DISAGREES * scale
        };
        let agreeing: Vec<&Pair> = pairs.0.iter().filter(agrees).collect();
        let (mut left, mut power) = (0.0, 1e-300);
        for p in &agreeing {
            left += p.misfit(found.shift, found.gain, change).0;
            power += p.record.norm_sqr();
        }
        let whole: f64 = pairs.0.iter().map(|p| p.template.norm_sqr()).sum();
        let agreed: f64 = agreeing.iter().map(|p| p.template.norm_sqr()).sum();
        let misfit = left / power;
        let all = pairs.0.len();
        if agreed < LEAST_AGREED * whole {
            return Err(refusal(&format!(
                "{} of {all} harmonics disagree by more than their noise",
                all - agreeing.len(),
            )));
        }
        if misfit > WORST_MISFIT || found.gain <= 0.0 {
            return Err(refusal(&format!(
                "{:.0} % of the harmonics' power is left unexplained",
                100.0 * misfit
            )));
        }
        let mut own = vec![None; template.orders.len()];
        for p in &agreeing {
            own[p.index] = Some(Own {
                amplitude: p.record,
                variance: p.record_variance,
            });
        }
        Ok(Self {
            change,
            most_change: most_change.max(change),
            own,
            shift_cycles: found.shift.rem_euclid(1.0),
            gain: found.gain,
            share: agreeing.len() as f64 / all as f64,
            agreeing: agreeing.iter().map(|p| p.index).collect(),
            misfit,
            gain_variance: 1.0 / found.certain.0.max(1e-300),
            shift_variance: 1.0 / found.certain.1.abs().max(1e-300),
        })
    }

    /// Each order of the template as it lies on the record. Where orders changed between the captures, one that agrees is drawn
    /// to what the record shows as far as its usual change stands above the noise.
    pub(super) fn amplitudes(&self, template: &Template) -> Vec<Complex64> {
        (0..template.orders.len())
            .map(|i| {
                let laid = self.laid(template, i);
                match self.own[i] {
                    Some(own) => {
                        laid + self.drawn(template, i, &own, self.change) * (own.amplitude - laid)
                    }
                    None => laid,
                }
            })
            .collect()
    }

    fn laid(&self, template: &Template, i: usize) -> Complex64 {
        let turn = 2.0 * PI * template.orders[i] as f64 * self.shift_cycles;
        template.amplitudes[i] * self.gain * Complex64::from_polar(1.0, turn)
    }

    /// Share of what an order of the record says that is taken.
    fn drawn(&self, template: &Template, i: usize, own: &Own, change: f64) -> f64 {
        let power = self.laid(template, i).norm_sqr();
        let noise = own.variance + self.gain.powi(2) * template.variances[i];
        if change > 0.0 {
            change * power / (change * power + noise)
        } else {
            0.0
        }
    }

    /// What is left of the hum.
    pub(super) fn left(&self, template: &Template) -> Doubts {
        let mut left = LeftPower::default();
        let (mut across, mut along) = (0.0, 0.0);
        let (mut changed, mut unseen) = (0.0, 0.0);
        for i in 0..template.orders.len() {
            let power = self.laid(template, i).norm_sqr();
            let noise = self.gain.powi(2) * template.variances[i];
            let (drawn, own) = match &self.own[i] {
                Some(own) => (self.drawn(template, i, own, self.change), own.variance),
                None => (0.0, 0.0),
            };
            let stays = (1.0 - drawn).powi(2);
            let error = stays * noise + drawn.powi(2) * own;
            left.add(0.5 * error, 2.0, f64::INFINITY);
            changed += 0.5 * stays * self.change * power;
            let unseen_at = |change: f64| match &self.own[i] {
                // What the record shows of the order bounds its change.
                Some(own) => (1.0 - self.drawn(template, i, own, change)) * change * power,
                None => change * power,
            };
            unseen += 0.5 * (unseen_at(self.most_change) - unseen_at(self.change)).max(0.0);
            across += 0.5 * power / self.gain.powi(2) * self.gain_variance;
            let turn = 2.0 * PI * template.orders[i] as f64;
            along += 0.5 * power * turn * turn * self.shift_variance;
        }
        left.add(across, 1.0, f64::INFINITY);
        left.add(along, 1.0, f64::INFINITY);
        Doubts {
            left,
            changed,
            unseen,
        }
    }
}

fn refusal(why: &str) -> Error {
    ErrorKind::BadValue.error(format!(
        "the template does not fit the record: {why}; take the template on the same set-up \
             in the same state, or separate without it"
    ))
}

/// An order that template and record have in common.
struct Pair {
    /// Index into the template.
    index: usize,
    order: f64,
    template: Complex64,
    record: Complex64,
    template_variance: f64,
    record_variance: f64,
}

impl Pair {
    /// Squared misfit at a shift and gain, and its scale where orders change by `change`, squared and relative.
    fn misfit(&self, shift: f64, gain: f64, change: f64) -> (f64, f64) {
        let turned =
            self.template * gain * Complex64::from_polar(1.0, 2.0 * PI * self.order * shift);
        let noise = self.record_variance + gain * gain * self.template_variance;
        let scale = noise + change * gain * gain * self.template.norm_sqr();
        (
            (self.record - turned).norm_sqr(),
            scale.max(f64::MIN_POSITIVE),
        )
    }
}

/// Shift, cycles, and gain that were found, and the inverse variances of gain and shift.
struct Found {
    shift: f64,
    gain: f64,
    certain: (f64, f64),
}

struct Pairs(Vec<Pair>);

impl Pairs {
    fn new(template: &Template, fitted: &Fit) -> Self {
        let (amplitudes, variances) = series(fitted);
        let pairs = template.orders.iter().enumerate().filter_map(|(i, k)| {
            let j = fitted.model.orders.iter().position(|o| o == k)?;
            Some(Pair {
                index: i,
                order: *k as f64,
                template: template.amplitudes[i],
                record: amplitudes[j],
                template_variance: template.variances[i],
                record_variance: variances[j],
            })
        });
        Self(pairs.collect())
    }

    fn highest(&self) -> f64 {
        self.0.iter().map(|p| p.order).fold(1.0, f64::max)
    }

    /// Squared misfits over their variances, each cut, that noise gives in all where a few orders hold a signal of their own.
    fn usual(&self) -> f64 {
        let count = self.0.len() as f64;
        MEAN_CUT * count + (CUT - MEAN_CUT) * (STRANGERS * count).max(1.0)
    }

    /// As few as noise gives in one of twenty pairs of captures.
    fn least(&self) -> f64 {
        let count = self.0.len() as f64;
        MEAN_CUT * count - UNSEEN * (VARIANCE_CUT * count).sqrt()
    }

    /// The squared relative change of the orders at which their misfits come to `expected` (R. C. Paule & J. Mandel, J. Res.
    /// NBS 87, 1982, from memory; with misfits that are cut).
    fn change(&self, found: &Found, expected: f64) -> f64 {
        let sum = |change: f64| -> f64 {
            let each = self.0.iter().map(|p| {
                let (squares, scale) = p.misfit(found.shift, found.gain, change);
                (squares / scale).min(CUT)
            });
            each.sum()
        };
        let most = MOST_TOLERANCE.powi(2);
        if sum(0.0) <= expected {
            return 0.0;
        }
        if sum(most) > expected {
            return most;
        }
        let (mut low, mut high) = (0.0, most);
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            if sum(middle) > expected {
                low = middle;
            } else {
                high = middle;
            }
        }
        high
    }

    /// The best of a grid of shifts and of gains that single orders ask for, under a bounded loss against signals on
    /// harmonics.
    fn rough(&self) -> (f64, f64) {
        let mut gains: Vec<f64> = self
            .0
            .iter()
            .map(|p| p.record.norm() / p.template.norm().max(1e-300))
            .collect();
        gains.sort_by(f64::total_cmp);
        let mut candidates: Vec<f64> = (1..=7).map(|q| gains[(gains.len() - 1) * q / 8]).collect();
        candidates.dedup();
        let loss = |shift: f64, gain: f64| -> f64 {
            self.0
                .iter()
                .map(|p| {
                    let (squares, scale) = p.misfit(shift, gain, FIRST_TOLERANCE.powi(2));
                    let r = squares / scale;
                    r / (1.0 + r / BOUNDED)
                })
                .sum()
        };
        let steps = (SHIFTS * self.highest()).ceil() as usize;
        let mut best = (f64::INFINITY, 0.0, 1.0);
        for gain in &candidates {
            for step in 0..steps {
                let shift = step as f64 / steps as f64;
                let value = loss(shift, *gain);
                if value < best.0 {
                    best = (value, shift, *gain);
                }
            }
        }
        (best.1, best.2)
    }

    /// Reweighted Gauss-Newton: gain along the turned template, shift across it.
    fn refined(&self, (mut shift, mut gain): (f64, f64), change: f64) -> Found {
        let highest = self.highest();
        let mut certain = (1e-300, 1e-300);
        for _ in 0..ROUNDS {
            let mut sums = [0.0; 4];
            for p in &self.0 {
                let (squares, scale) = p.misfit(shift, gain, change);
                let weight = 1.0 / (scale * (1.0 + squares / scale / BOUNDED).powi(2));
                let turned = p.template * Complex64::from_polar(1.0, 2.0 * PI * p.order * shift);
                let ratio = turned.conj() * p.record;
                let slope = 2.0 * PI * p.order;
                sums[0] += weight * ratio.re;
                sums[1] += weight * turned.norm_sqr();
                sums[2] += weight * slope * ratio.im;
                sums[3] += weight * slope * slope * gain * turned.norm_sqr();
            }
            // A complex misfit's variance is shared by its two parts.
            certain = (2.0 * sums[1], 2.0 * gain * sums[3]);
            gain = sums[0] / sums[1].max(1e-300);
            shift += (sums[2] / sums[3].abs().max(1e-300)).clamp(-0.1 / highest, 0.1 / highest);
        }
        Found {
            shift,
            gain,
            certain,
        }
    }
}
