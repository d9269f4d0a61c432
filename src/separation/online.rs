//! Separation of what comes in block by block, given back cleaned a set time later.

use super::fit::{Course, FitSettings, Lead};
use super::methods::{continue_hum, separate_hum};
use super::options::HarmonicOptions;
use super::samples::{check_rate, in_units};
use crate::setting::{self, setters};
use crate::{Error, ErrorKind};
use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

/// Share of the latency in which one fit passes into the next.
const FADE: f64 = 0.1;
/// Stretch that a fit which does not go on from the one before looks back on, s: what moved before is no guide.
const RECENT_S: f64 = 2.0;
/// Samples that a fit holds at most, unless the latency asks for more.
const MOST_HELD: usize = 1 << 19;
/// Samples of the latency at most.
const LONGEST: f64 = 16e6;

/// Settings of [`Online`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
#[non_exhaustive]
pub struct OnlineOptions {
    /// The series to look for.
    pub series: HarmonicOptions,
    /// Time between a sample's coming and its going, s; half of it is what the fit sees after the sample, at least. Short ones cost
    /// accuracy and work.
    pub latency_s: f64,
    /// Time that a fit looks back on, s, where the hum has been steady for so long; at most half a million samples.
    pub memory_s: f64,
}

setters!(OnlineOptions {
    set series: HarmonicOptions;
    set latency_s: f64;
    set memory_s: f64;
});

impl Default for OnlineOptions {
    fn default() -> Self {
        Self {
            series: HarmonicOptions::default(),
            latency_s: 1.0,
            memory_s: 20.0,
        }
    }
}

impl OnlineOptions {
    /// Checks every setting.
    ///
    /// # Errors
    /// `BadOption`, saying which setting and what would do.
    pub fn check(&self) -> Result<(), Error> {
        self.series.check()?;
        setting::positive("the latency", self.latency_s, " s")?;
        setting::positive("the memory", self.memory_s, " s")
    }
}

/// The mains series taken out of one channel while it is being captured.
///
/// Samples come back in order and once, [`latency`](Self::latency) samples after they came at the latest: as many as were
/// taken, less those that are still within the latency. Every half latency the series is fitted to what is held, as
/// [`harmonic()`](super::harmonic()) fits a record; where the hum goes on as before, from the fit before and over the whole memory, else
/// anew over the last two seconds. One fit passes into the next without a step. The offset stays. What comes back does not depend
/// on the size of the blocks.
///
/// ```
/// use humsieve::separation::{Online, OnlineOptions};
/// let mut online = Online::new(2000.0, OnlineOptions::default())?;
/// let mut cleaned = Vec::new();
/// for block in 0..60 {
///     let block: Vec<f64> = (0..100_u32)
///         .map(|i| {
///             let i = 100 * block + i;
///             let noise = f64::from((i * i * 31 + i * 7919) % 1009) / 1009.0 - 0.5;
///             0.1 + (std::f64::consts::TAU * 50.02 * f64::from(i) / 2000.0).sin() + 0.01 * noise
///         })
///         .collect();
///     online.push(&block, &mut cleaned);
/// }
/// assert!(cleaned.len() + online.latency() > 6000);
/// online.finish(&mut cleaned);
/// assert_eq!(cleaned.len(), 6000);
/// assert!(cleaned.iter().all(|v| (v - 0.1).abs() < 0.01));
/// # Ok::<(), humsieve::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Online {
    rate_hz: f64,
    options: HarmonicOptions,
    latency: usize,
    memory: usize,
    /// The last samples, of which `given` went back already and the last fit saw those from `since` on.
    held: Vec<f64>,
    given: usize,
    since: usize,
    /// What the next fit may start from.
    lead: Option<Lead>,
    /// The hum of the samples that go next, as the last fit has it.
    before: Vec<f64>,
}

impl Online {
    /// For a channel sampled at this rate, Hz.
    ///
    /// # Errors
    /// `BadOption` for a rate or a setting out of range, and a latency of more than 16 million samples.
    pub fn new(sample_rate_hz: f64, options: OnlineOptions) -> Result<Self, Error> {
        check_rate(sample_rate_hz)?;
        options.check()?;
        let latency = options.latency_s * sample_rate_hz;
        if latency > LONGEST {
            return Err(ErrorKind::BadOption.error(format!(
                "a latency of {} s is {latency:.0} samples; at most {LONGEST:.0} are held: ask for a shorter one",
                options.latency_s
            )));
        }
        let latency = (latency.round() as usize).max(2);
        let memory = (options.memory_s * sample_rate_hz).min(MOST_HELD as f64) as usize;
        Ok(Self {
            rate_hz: sample_rate_hz,
            options: options.series,
            latency,
            memory: memory.max(latency),
            held: Vec::new(),
            given: 0,
            since: 0,
            lead: None,
            before: Vec::new(),
        })
    }

    /// Samples after which one that was taken has gone back.
    #[must_use]
    pub fn latency(&self) -> usize {
        self.latency
    }

    /// Frequency of the mains that is being taken out, Hz, where it is steady.
    #[must_use]
    pub fn mains_frequency_hz(&self) -> Option<f64> {
        self.lead.as_ref().map(|lead| lead.frequency_hz)
    }

    /// Takes the next samples and appends those that go back, cleaned, to `cleaned`. A missing or overloaded sample stays what it
    /// is.
    pub fn push(&mut self, samples: &[f64], cleaned: &mut Vec<f64>) {
        let mut left = samples;
        while !left.is_empty() {
            let due = self.given + self.latency - self.held.len();
            let (now, later) = left.split_at(due.min(left.len()));
            self.held.extend_from_slice(now);
            left = later;
            if now.len() == due {
                self.give(self.latency.div_ceil(2), cleaned);
            }
        }
    }

    /// Appends all that is still held.
    pub fn finish(mut self, cleaned: &mut Vec<f64>) {
        let left = self.held.len() - self.given;
        if left > 0 {
            self.give(left, cleaned);
        }
    }

    /// Fits what is held and gives the next `count` samples back.
    fn give(&mut self, count: usize, cleaned: &mut Vec<f64>) {
        let hum = self.fit();
        let ahead = &hum[self.given - self.since..];
        let fade = self.before.len().min(count);
        let next = &self.held[self.given..self.given + count];
        cleaned.extend(next.iter().zip(ahead).enumerate().map(|(i, (x, h))| {
            let Some(before) = self.before.get(i).filter(|_| i < fade) else {
                return x - h;
            };
            let passed = 0.5 - 0.5 * (PI * (i as f64 + 0.5) / fade as f64).cos();
            x - before - passed * (h - before)
        }));
        let fade = (FADE * self.latency as f64) as usize;
        self.before = ahead.iter().skip(count).take(fade).copied().collect();
        self.given += count;
        self.forget();
    }

    /// Hum of the samples held from `since` on, which it sets.
    fn fit(&mut self) -> Vec<f64> {
        let end = self.held.len();
        self.since = self.since.max(end.saturating_sub(self.memory));
        let (mut samples, mut unit) = in_units(&self.held[self.since..]);
        let mut hum = vec![0.0; samples.len()];
        let settings = FitSettings::new(self.rate_hz, &self.options);
        let going_on = self
            .lead
            .take()
            .and_then(|lead| continue_hum(&samples, &settings, &lead, &mut hum));
        if let Some((_, next, _)) = going_on {
            self.lead = next;
        } else {
            let recent = (RECENT_S * self.rate_hz).min(self.memory as f64) as usize;
            let from = end.saturating_sub(recent.max(self.latency));
            if from > self.since {
                self.since = from;
                (samples, unit) = in_units(&self.held[from..]);
            }
            let course = Course::measured(&samples, self.rate_hz, &self.options);
            let with = (course.as_ref(), None);
            (_, self.lead) =
                separate_hum(&mut samples, self.rate_hz, &self.options, with, &mut hum);
        }
        hum.iter_mut().for_each(|h| *h *= unit);
        hum
    }

    /// Drops what no fit will see, when it is as much as what one will.
    fn forget(&mut self) {
        let from = self.held.len().saturating_sub(self.memory);
        let unseen = from.max(self.since).min(self.given);
        if unseen > self.held.len() / 2 {
            self.held.drain(..unseen);
            self.given -= unseen;
            self.since = self.since.saturating_sub(unseen);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    fn noise(samples: usize, seed: u64) -> Vec<f64> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let normal = |_| -> f64 { StandardNormal.sample(&mut rng) };
        (0..samples).map(normal).collect()
    }

    fn hum(i: usize, rate_hz: f64) -> f64 {
        let turn = 2.0 * PI * 49.98 * i as f64 / rate_hz;
        turn.cos() + 0.3 * (3.0 * turn + 1.0).cos() + 0.1 * (7.0 * turn).cos()
    }

    fn given(blocks: &[usize], record: &[f64], options: OnlineOptions) -> Vec<f64> {
        let mut online = Online::new(2000.0, options).unwrap();
        let (mut cleaned, mut at) = (Vec::new(), 0);
        for block in blocks.iter().cycle() {
            let end = (at + block).min(record.len());
            online.push(&record[at..end], &mut cleaned);
            at = end;
            assert!(at - cleaned.len() < online.latency(), "{at}");
            if at == record.len() {
                break;
            }
        }
        online.finish(&mut cleaned);
        cleaned
    }

    #[test]
    fn what_comes_back_is_late_by_the_latency_at_most_and_the_same_for_every_block() {
        let record: Vec<f64> = noise(9001, 1)
            .iter()
            .enumerate()
            .map(|(i, n)| hum(i, 2000.0) + 0.02 * n)
            .collect();
        for latency_s in [0.25, 1.0] {
            let options = || OnlineOptions::default().latency_s(latency_s).memory_s(2.0);
            let whole = given(&[record.len()], &record, options());
            assert_eq!(whole.len(), record.len());
            for blocks in [&[1][..], &[7, 0, 500], &[1999]] {
                assert_eq!(given(blocks, &record, options()), whole, "{blocks:?}");
            }
            let left = whole.iter().map(|v| v * v).sum::<f64>() / 9001.0;
            assert!(left.sqrt() < 0.0205, "{left}");
        }
    }

    /// Before the hum is there nothing is taken out; half a second after it came, it is gone.
    #[test]
    fn hum_that_comes_and_goes_is_followed() {
        let record: Vec<f64> = noise(20_000, 2)
            .iter()
            .enumerate()
            .map(|(i, n)| {
                0.02 * n
                    + if (6000..14_000).contains(&i) {
                        hum(i, 2000.0)
                    } else {
                        0.0
                    }
            })
            .collect();
        let cleaned = given(&[100], &record, OnlineOptions::default());
        let rms = |range: std::ops::Range<usize>| {
            let count = range.len() as f64;
            (cleaned[range].iter().map(|v| v * v).sum::<f64>() / count).sqrt()
        };
        for quiet in [0..5000, 8000..13_000, 16_000..20_000] {
            assert!(
                rms(quiet.clone()) < 0.022,
                "{quiet:?}: {}",
                rms(quiet.clone())
            );
        }
    }

    #[test]
    fn what_is_no_record_comes_back_as_it_came() {
        for samples in [
            vec![f64::NAN; 5000],
            vec![f64::INFINITY; 5000],
            vec![1e300; 5000],
            vec![0.0; 3],
            Vec::new(),
        ] {
            let cleaned = given(&[777], &samples, OnlineOptions::default());
            let bits = |v: &[f64]| v.iter().map(|v| v.to_bits()).collect::<Vec<_>>();
            assert_eq!(bits(&cleaned), bits(&samples));
        }
        for bad in [
            OnlineOptions::default().latency_s(0.0),
            OnlineOptions::default().memory_s(f64::NAN),
            OnlineOptions::default().latency_s(1e9),
        ] {
            assert!(Online::new(2000.0, bad).is_err());
        }
        assert!(Online::new(0.0, OnlineOptions::default()).is_err());
    }
}
