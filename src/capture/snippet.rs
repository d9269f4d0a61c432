//! The first samples of a channel, for a picture of them.

use super::memory::Capture;
use super::source::FrameSource;
use crate::numeric::null;
use serde::{Deserialize, Serialize};

/// Samples from the start of a record on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Snippet {
    /// Frames per second.
    pub sample_rate_hz: f64,
    /// Samples; what is not finite is left out.
    #[serde(deserialize_with = "null::all_unknown")]
    pub samples: Vec<f64>,
}

/// Mains cycles that a snippet shows.
const CYCLES: f64 = 5.0;
/// Fewest samples that it shows, where the record has them.
const FEWEST: usize = 100;

impl Snippet {
    /// Frames to be kept of a source for it: enough for some cycles of any grid.
    #[must_use]
    pub fn frames(source: &dyn FrameSource) -> usize {
        const SECONDS: f64 = 0.5;
        const MOST: f64 = 1e6;
        let rate = source.header().time_base.sample_rate_hz;
        (SECONDS * rate).clamp(1000.0, MOST) as usize
    }

    /// The first cycles of a channel by its name, at least a hundred samples where there are as many; `None` where there is
    /// none of that name.
    #[must_use]
    pub fn first_cycles(capture: &Capture, channel: &str, mains_hz: f64) -> Option<Self> {
        let channels = &capture.header().channels;
        let index = channels.iter().position(|c| c.name == channel)?;
        let sample_rate_hz = capture.sample_rate_hz();
        let count = (CYCLES / mains_hz * sample_rate_hz).ceil() as usize + 1;
        let samples = capture.channel(index)?;
        let count = count.max(FEWEST).min(samples.len());
        Some(Self {
            sample_rate_hz,
            samples: samples.iter().copied().take(count).collect(),
        })
    }

    /// The same in so many samples at most: of more the lowest and the highest of each part.
    #[must_use]
    pub fn thinned(self, most: usize) -> Self {
        if self.samples.len() <= most {
            return self;
        }
        let width = (2 * self.samples.len()).div_ceil(most.max(2));
        let ends = |part: &[f64]| {
            let finite = part.iter().copied().filter(|value| value.is_finite());
            let (low, high) = finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| {
                (low.min(x), high.max(x))
            });
            if low <= high {
                [low, high]
            } else {
                [f64::NAN; 2]
            }
        };
        Self {
            sample_rate_hz: 2.0 * self.sample_rate_hz / width as f64,
            samples: self.samples.chunks(width).flat_map(ends).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_thinned_snippet_keeps_length_and_extremes() {
        let mut samples = vec![0.0; 10_000];
        samples[7003] = 5.0;
        samples[7004] = f64::NAN;
        samples[20] = -3.0;
        let thin = Snippet {
            sample_rate_hz: 1e6,
            samples,
        }
        .thinned(1000);
        assert_eq!(thin.samples.len(), 1000);
        assert_eq!(thin.samples.len() as f64 / thin.sample_rate_hz, 0.01);
        let place = |wanted: f64| thin.samples.iter().position(|value| *value == wanted);
        assert_eq!(place(5.0), Some(2 * (7003 / 20) + 1));
        assert_eq!(place(-3.0), Some(2));
    }

    #[test]
    fn missing_samples_are_read_back() {
        let gap = Snippet {
            sample_rate_hz: 10.0,
            samples: vec![1.0, f64::NAN],
        };
        let text = serde_json::to_string(&gap).unwrap();
        let back: Snippet = serde_json::from_str(&text).unwrap();
        assert_eq!(back.samples[0], 1.0);
        assert!(back.samples[1].is_nan(), "{text}");
    }
}
