//! What a look at a record says of its mains series.

use super::evidence::Evidence;
use crate::hum::line_spectrum::Line;
use crate::stats::LinePower;

/// A series that is there.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Present {
    pub(crate) nominal_hz: f64,
    /// From the orders that count, the outliers set aside.
    pub(crate) fundamental_hz: f64,
    pub(crate) uncertainty_hz: f64,
    /// Length that the lines were seen over, s.
    pub(crate) duration_s: f64,
    /// Whether its frequency moves by more than a grid's.
    pub(crate) drifts: bool,
    /// Whether the record shows nothing beside it but noise.
    pub(crate) plain: bool,
    pub(crate) evidence: Evidence,
    /// The line at each order's place, where one shows.
    pub(crate) shown: Vec<(usize, Line)>,
    /// Lines near an order's place that do not follow the series.
    pub(crate) foreign: Vec<Foreign>,
}

impl Present {
    /// Takes the lines of those orders that `may_be_anothers` for not surely the series'.
    pub(super) fn doubt(&mut self, may_be_anothers: impl Fn(usize, &Line) -> bool) {
        for &(order, line) in &self.shown {
            let known = self.foreign.iter().any(|other| other.order == order);
            if !known && may_be_anothers(order, &line) {
                self.foreign.push(Foreign {
                    order,
                    line,
                    own: None,
                    proved: false,
                });
            }
        }
    }
}

/// A line near an order that is not (or not surely) of the series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Foreign {
    pub(crate) order: usize,
    pub(crate) line: Line,
    /// The order's own line beside it, where one shows.
    pub(crate) own: Option<Line>,
    /// Whether its place shows that it is another's.
    pub(crate) proved: bool,
}

impl Foreign {
    /// What was fitted as an order at `hz`, of which nothing shows beside it.
    pub(crate) fn of_order(order: usize, hz: f64, power: &LinePower, proved: bool) -> Self {
        Self {
            order,
            line: Line {
                hz,
                strength: power.observed_v2 / power.noise_v2.max(f64::MIN_POSITIVE),
                rms: power.observed_v2.sqrt(),
            },
            own: None,
            proved,
        }
    }
}

/// What a look at a record says.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) enum Presence {
    /// Too short for lines to be told apart.
    #[default]
    Unseen,
    /// Not there. `plain`: the record shows nothing beside noise, for which sharper tests hold.
    Absent {
        plain: bool,
    },
    Present(Present),
}

impl Presence {
    /// Whether lines of neighbouring orders are not apart: what is there was told by fits.
    pub(crate) fn is_of_few_cycles(&self) -> bool {
        match self {
            Self::Unseen => true,
            Self::Absent { .. } => false,
            Self::Present(seen) => seen.evidence.orders.is_empty(),
        }
    }
}
