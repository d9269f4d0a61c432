//! Which orders' amplitudes stay with their constants, told of several orders at once: their tracks have one Gram matrix,
//! so that each memory's system is factored once.

use super::smoother::{Memories, Penalised, Smoothing, flat_ratio};
use crate::numeric::{Banded, Factor, Roughness, vectorised};
use crate::separation::fit::model::{Sums, gram_of};

/// Gain of log-likelihood that a track of its own must bring.
pub(super) const OWN_TRACK_GAIN: f64 = 6.0;
/// Orders that are worked side by side, each with a real and an imaginary part.
const ORDERS: usize = 8;
const LANES: usize = 2 * ORDERS;

/// Whether an order's track, from the right-hand sides of all, is no likelier than its constant. Orders of which intervals
/// were given up are not told.
pub(super) fn steady_orders(
    sums: &Sums,
    sides: &[[Vec<f64>; 2]],
    smoothing: &Smoothing,
    shortest: f64,
) -> Vec<bool> {
    let mut steady = vec![false; sides.len()];
    let alike: Vec<usize> = (0..sides.len()).filter(|o| sums.trusts(*o)).collect();
    let Some(first) = alike.first() else {
        return steady;
    };
    let gram = gram_of(sums, *first);
    let memories = Memories::new(Roughness::Level, gram.len(), shortest, smoothing.quick);
    let scale = gram.mean_diagonal();
    let data = gram.factor();
    let mut systems = Systems::new(&gram, smoothing);
    for orders in alike.chunks(ORDERS) {
        let mut told = Told::new(orders, sides, gram.len());
        let energies = told.explained(&data);
        for (place, &order) in orders.iter().enumerate() {
            let mut at = |ratio: f64| {
                let (system, factor) = systems.at(ratio);
                let explained = told.explained_at(ratio, factor)[place];
                system.likelihood(energies[place], explained).0
            };
            let flat = at(flat_ratio(&gram));
            let (level, ()) =
                memories.most_likely(|memory| (at(memories.ratio(scale, memory)), ()));
            steady[order] = level < flat + OWN_TRACK_GAIN;
        }
    }
    steady
}

/// The systems of one Gram matrix, each factored once.
struct Systems<'a> {
    gram: &'a Banded,
    penalty: Banded,
    made: Vec<(Penalised, Factor)>,
}

impl<'a> Systems<'a> {
    fn new(gram: &'a Banded, smoothing: &Smoothing) -> Self {
        let terms = Roughness::Level.terms(smoothing.spacing.len());
        Self {
            gram,
            penalty: Roughness::Level.penalty(&smoothing.spacing, &vec![1.0; terms]),
            made: Vec::new(),
        }
    }

    /// The system of this ratio of noise to walk.
    fn at(&mut self, ratio: f64) -> (&Penalised, &Factor) {
        let known = self
            .made
            .iter()
            .position(|(system, _)| system.ratio == ratio);
        let index = known.unwrap_or_else(|| {
            let mut system = self.gram.clone();
            system.add_scaled(&self.penalty, ratio);
            let factor = system.factor();
            let penalised = Penalised {
                knots: self.gram.len(),
                sides: 2,
                roughness: Roughness::Level,
                ratio,
                log_determinant: factor.log_determinant(),
            };
            self.made.push((penalised, factor));
            self.made.len() - 1
        });
        let (system, factor) = &self.made[index];
        (system, factor)
    }
}

/// What tracks of some orders explain of their data, by ratio.
struct Told {
    /// Right-hand sides, a lane each.
    sides: Vec<[f64; LANES]>,
    tracks: Vec<[f64; LANES]>,
    by_ratio: Vec<(f64, [f64; ORDERS])>,
}

impl Told {
    fn new(orders: &[usize], sides: &[[Vec<f64>; 2]], knots: usize) -> Self {
        let mut lanes = vec![[0.0; LANES]; knots];
        for (place, &order) in orders.iter().enumerate() {
            for (part, side) in sides[order].iter().enumerate() {
                for (lanes, value) in lanes.iter_mut().zip(side) {
                    lanes[2 * place + part] = *value;
                }
            }
        }
        Self {
            tracks: lanes.clone(),
            sides: lanes,
            by_ratio: Vec::new(),
        }
    }

    /// bᵀS⁻¹b of each order, S the factored system.
    fn explained(&mut self, system: &Factor) -> [f64; ORDERS] {
        self.tracks.copy_from_slice(&self.sides);
        let (tracks, sides) = (&mut self.tracks, &self.sides);
        let products = vectorised(
            #[inline(always)]
            || {
                system.solve_beside(tracks);
                let mut products = [0.0; LANES];
                for (track, side) in tracks.iter().zip(sides) {
                    for lane in 0..LANES {
                        products[lane] += track[lane] * side[lane];
                    }
                }
                products
            },
        );
        std::array::from_fn(|place| products[2 * place] + products[2 * place + 1])
    }

    /// The same, once for each ratio.
    fn explained_at(&mut self, ratio: f64, system: &Factor) -> [f64; ORDERS] {
        if let Some((_, known)) = self.by_ratio.iter().find(|(of, _)| *of == ratio) {
            return *known;
        }
        let explained = self.explained(system);
        self.by_ratio.push((ratio, explained));
        explained
    }
}
