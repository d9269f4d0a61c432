//! What is said where no mains was found, and of a series that may be the mains all the same.

use crate::analysis::figures::ChannelFacts;
use crate::analysis::measurement::Harmonic;
use crate::analysis::options::MainsChoice;
use crate::analysis::stream::{RecordFit, ToneFit};
use crate::hum::ALONE_GRID;
use crate::stats::{Estimate, LinePower};
use crate::{Warning, WarningCode};
use statrs::distribution::{DiscreteCDF, Poisson};

/// Fundamentals that a generator or a clock that is off makes of a grid's, Hz.
const MAY_BE_HZ: [(f64, f64); 2] = [(45.0, 55.0), (57.0, 63.0)];
/// Probability that tones of other origin are taken for a series.
const FALSE_ALARM: f64 = 0.05;
/// How many times the power of mains that was found makes a series worth telling.
const STRONGER: f64 = 4.0;
/// Which multiple of the fundamental a tone may be that the series is looked for from.
const LOOKED_FROM: usize = 7;
/// How far a tone may be from a multiple: deviations, and cells of 1/T beside.
const MISSES: f64 = 4.0;
const CELLS: f64 = 0.1;

/// What is said of a series that was not found, or that may be of either nominal frequency.
pub(super) fn not_detected(
    facts: &ChannelFacts<'_>,
    fit: &RecordFit,
    stands: bool,
    hum_below: f64,
) -> Warning {
    let nominals_hz = facts.options.mains.nominals_hz();
    let message = if stands {
        format!(
            "there is hum, but the record of {:.1} cycles does not tell 50 from 60 Hz at odds of 1000 to 1: \
             capture a longer record, or state the nominal frequency",
            facts.duration_s() * fit.nominal_hz
        )
    } else {
        let tried: Vec<String> = nominals_hz.iter().map(f64::to_string).collect();
        format!(
            "no mains series was found near {} Hz (false-alarm probability 1 %); hum below {:.3e} {} would not \
             have been seen",
            tried.join(" or "),
            facts.told(hum_below),
            facts.unit()
        )
    };
    WarningCode::MainsNotDetected.warning(message)
}

/// Whether a generator, or a clock that is off, may make a mains frequency of this.
fn may_be_mains(hz: f64) -> bool {
    MAY_BE_HZ
        .iter()
        .any(|(low, high)| (*low..=*high).contains(&hz))
}

/// Whether a grid may have this fundamental.
fn is_grids(hz: f64) -> bool {
    let near = |nominal: &f64| (hz / nominal - 1.0).abs() < ALONE_GRID;
    MainsChoice::Auto.nominals_hz().iter().any(near)
}

/// Tones in one series, on a fundamental that is no grid's in step with others and may be a generator's.
pub(super) struct OffNominal<'a> {
    fundamental_hz: f64,
    /// Each with its order.
    tones: Vec<(usize, &'a LinePower)>,
    /// How many would be there by chance.
    by_chance: f64,
}

impl<'a> OffNominal<'a> {
    /// The series of most power, where no nominal frequency is stated; `found_v2`: power of the mains that was detected, beside
    /// which one that is far stronger and no grid's counts.
    pub(super) fn among(
        facts: &ChannelFacts<'_>,
        fit: &'a RecordFit,
        found_v2: Option<f64>,
    ) -> Option<Self> {
        if facts.options.mains != MainsChoice::Auto {
            return None;
        }
        let room_hz = CELLS / facts.duration_s();
        let series: Vec<Self> = fit
            .tones
            .iter()
            .flat_map(|tone| (1..=LOOKED_FROM).map(move |order| (&tone.combined, order as f64)))
            .map(|(own, order)| {
                (
                    own.frequency_hz / order,
                    own.frequency_variance.sqrt() / order,
                )
            })
            .filter(|(hz, _)| may_be_mains(*hz))
            .map(|place| Self::on(place, &fit.tones, room_hz))
            .collect();
        let places = series.len() as f64;
        let lines = fit
            .tones
            .iter()
            .filter_map(|tone| tone.combined.harmonics.first());
        let strongest_v2 = lines.map(|line| line.power.observed_v2).fold(0.0, f64::max);
        let counts = |own: &Self| {
            let told = places * own.chance() < FALSE_ALARM || own.first_v2() >= strongest_v2;
            told && found_v2
                .is_none_or(|v2| !is_grids(own.fundamental_hz) && own.power() > STRONGER * v2)
        };
        series
            .into_iter()
            .filter(counts)
            .max_by(|a, b| a.power().total_cmp(&b.power()))
    }

    /// The tones at the multiples of a fundamental that is known to a deviation.
    fn on((fundamental_hz, deviation_hz): (f64, f64), tones: &'a [ToneFit], room_hz: f64) -> Self {
        let mut found = Self {
            fundamental_hz,
            tones: Vec::new(),
            by_chance: 0.0,
        };
        for tone in tones {
            let own = &tone.combined;
            let order = (own.frequency_hz / fundamental_hz).round();
            let deviation = own.frequency_variance.sqrt().hypot(order * deviation_hz);
            let reach = MISSES * deviation + room_hz;
            found.by_chance += (2.0 * reach / fundamental_hz).min(1.0);
            let fits = order >= 1.0 && (own.frequency_hz - order * fundamental_hz).abs() < reach;
            let line = own.harmonics.first().filter(|_| fits);
            found
                .tones
                .extend(line.map(|line| (order as usize, &line.power)));
        }
        found
    }

    /// Probability that chance puts as many tones at the multiples of one of them.
    fn chance(&self) -> f64 {
        let others = self.tones.len().saturating_sub(1) as u64;
        match Poisson::new(self.by_chance) {
            Ok(counts) if others > 0 => counts.sf(others - 1),
            _ => 1.0,
        }
    }

    /// Power of the fundamental.
    fn first_v2(&self) -> f64 {
        let first = self.tones.iter().find(|(order, _)| *order == 1);
        first.map_or(0.0, |(_, power)| power.observed_v2)
    }

    fn power(&self) -> f64 {
        self.tones.iter().map(|(_, power)| power.observed_v2).sum()
    }

    /// Raises the bounds to what there is if these tones are the mains.
    pub(super) fn cover(&self, harmonics: &mut [Harmonic], hum: &mut Estimate) {
        let last = harmonics.len();
        let reported = self.tones.iter().filter(|(order, _)| *order <= last);
        let all = LinePower::sum(reported.map(|(_, power)| *power)).rms(hum.confidence);
        hum.high = hum.high.hypot(all.high);
        for (order, power) in &self.tones {
            if let Some(harmonic) = harmonics.get_mut(order - 1) {
                let own = power.rms(harmonic.rms.confidence);
                harmonic.rms.high = harmonic.rms.high.max(own.high);
            }
        }
    }

    pub(super) fn warning(&self) -> Warning {
        WarningCode::NotInterferenceAlone.warning(format!(
            "{} on {:.4} Hz: no grid in step with others runs there, a generator may, or the \
             instrument's clock is off; if this is the mains, `--mains {:.4}` reads it so; until then the bounds of hum \
             and harmonics hold for both",
            match self.tones.len() {
                1 => "the strongest tone stands".to_owned(),
                many => format!("{many} tones are a series"),
            },
            self.fundamental_hz,
            self.fundamental_hz
        ))
    }
}
