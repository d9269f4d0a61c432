//! What is known of a capture beside its samples: channels, time base, acquisition.

use super::acquisition::Acquisition;
use crate::{Error, ErrorKind};
use serde::{Deserialize, Serialize};
use std::collections::{HashMap, HashSet};

/// One channel of a capture.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Channel {
    /// Its name: from the header, else its 1-based number.
    pub name: String,
    /// Unit of the values after conversion to SI (`V`), or the file's own where it is no known unit.
    pub unit: String,
}

/// Where the sample rate comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum RateOrigin {
    /// The file's header or preamble.
    Header,
    /// The time column.
    TimeColumn,
    /// The user, overriding or supplying what the file does not say.
    User,
}

/// The time base of a capture: frame `i` lies at `start_s + i / sample_rate_hz`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TimeBase {
    /// Frames per second, from 1e-6 to 1e12.
    pub sample_rate_hz: f64,
    /// Standard uncertainty of the rate, Hz, as far as the file tells it (0 where it is stated exactly). It is a part of
    /// every frequency's own.
    pub sample_rate_uncertainty_hz: f64,
    /// Time of the first frame, s (negative before a trigger).
    pub start_s: f64,
    /// Where the rate comes from.
    pub origin: RateOrigin,
}

impl TimeBase {
    /// A time base that starts at 0 s with an exact rate, Hz.
    #[must_use]
    pub fn from_rate(sample_rate_hz: f64, origin: RateOrigin) -> Self {
        Self {
            sample_rate_hz,
            sample_rate_uncertainty_hz: 0.0,
            start_s: 0.0,
            origin,
        }
    }

    /// Checks that the rate lies within 1e-6 to 1e12 Hz, its uncertainty below it, and the start is finite.
    /// Every capture passes here, from a file or in memory.
    ///
    /// # Errors
    /// `BadOption` for a rate that the user gave, else `BadValue`.
    pub fn check(&self) -> Result<(), Error> {
        let (lowest, highest) = SAMPLE_RATE_LIMITS_HZ;
        let rate = self.sample_rate_hz;
        if !(lowest..=highest).contains(&rate) {
            let kind = match self.origin {
                RateOrigin::User => ErrorKind::BadOption,
                RateOrigin::Header | RateOrigin::TimeColumn => ErrorKind::BadValue,
            };
            return Err(kind.error(format!(
                    "the sample rate is {rate:e} Hz; rates from {lowest:e} to {highest:e} Hz are analysed: check it, or give the right one with --sample-rate"
                ),
            ));
        }
        let uncertainty = self.sample_rate_uncertainty_hz;
        if !(0.0..rate).contains(&uncertainty) {
            return Err(ErrorKind::BadValue.error(format!(
                "the sample rate's uncertainty is {uncertainty} Hz; it must not be negative, and below the rate of {rate} Hz"
            )));
        }
        if !self.start_s.is_finite() {
            return Err(ErrorKind::BadValue.error(format!(
                "the time of the first sample is {} s; it must be finite",
                self.start_s
            )));
        }
        Ok(())
    }
}

/// Lowest and highest sample rate of a capture, Hz: from one sample in eleven days to beyond what any
/// converter reaches. Outside of these, counts of samples in a second or in a record lose their meaning.
pub const SAMPLE_RATE_LIMITS_HZ: (f64, f64) = (1e-6, 1e12);

/// What is known of a capture beside its samples.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct CaptureHeader {
    /// File name or a name of the caller's; errors and results tell it.
    pub name: String,
    /// The channels, in order.
    pub channels: Vec<Channel>,
    /// Rate and start.
    pub time_base: TimeBase,
    /// Number of frames; `None` where it is not known before reading.
    pub frames: Option<u64>,
    /// Instrument settings.
    pub acquisition: Acquisition,
    /// Names of the columns of zeros and ones that were left out: logic channels are no signals.
    pub logic_channels: Vec<String>,
}

impl CaptureHeader {
    /// A header with unknown length and acquisition. Channels of one name are told apart as those of a file are: the
    /// second `probe` is `probe (2)`.
    #[must_use]
    pub fn new(name: impl Into<String>, channels: Vec<Channel>, time_base: TimeBase) -> Self {
        let (names, units): (Vec<String>, Vec<String>) =
            channels.into_iter().map(|c| (c.name, c.unit)).unzip();
        let channels = twins_numbered(names)
            .into_iter()
            .zip(units)
            .map(|(name, unit)| Channel { name, unit })
            .collect();
        Self {
            name: name.into(),
            channels,
            time_base,
            frames: None,
            acquisition: Acquisition::default(),
            logic_channels: Vec::new(),
        }
    }

    /// A header of channels of volts at an exact rate, Hz, from 0 s on.
    ///
    /// ```
    /// use humsieve::capture::CaptureHeader;
    /// let header = CaptureHeader::of_volts("bench", ["probe", "ground"], 48_000.0);
    /// assert_eq!(header.channels[1].name, "ground");
    /// ```
    #[must_use]
    pub fn of_volts<N: Into<String>>(
        name: impl Into<String>,
        channels: impl IntoIterator<Item = N>,
        sample_rate_hz: f64,
    ) -> Self {
        let channels = channels
            .into_iter()
            .map(|name| Channel {
                name: name.into(),
                unit: "V".into(),
            })
            .collect();
        let time_base = TimeBase::from_rate(sample_rate_hz, RateOrigin::User);
        Self::new(name, channels, time_base)
    }

    /// Checks that there is a channel, the time base and the acquisition.
    ///
    /// # Errors
    /// `NoSamples` without a channel, and those of [`TimeBase::check`] and [`Acquisition::check`].
    pub fn check(&self) -> Result<(), Error> {
        if self.channels.is_empty() {
            return Err(ErrorKind::NoSamples.error("the capture has no channel"));
        }
        self.time_base.check()?;
        self.acquisition.check()
    }

    /// 0-based indices of the channels named (by name, else by 1-based number), each once; all where none is.
    ///
    /// # Errors
    /// `NoSuchChannel`, with the names that there are.
    pub(crate) fn find_channels(&self, names: &[String]) -> Result<Vec<usize>, Error> {
        if names.is_empty() {
            return Ok((0..self.channels.len()).collect());
        }
        let mut found = Vec::new();
        for name in names {
            let index = self.find_channel(name)?;
            if !found.contains(&index) {
                found.push(index);
            }
        }
        Ok(found)
    }

    /// 0-based indices of the channels in a list with commas between them, blanks around each left out: of the names that the
    /// text can be read as the longest, first the whole.
    ///
    /// # Errors
    /// Those of [`CaptureHeader::find_channel`].
    pub(crate) fn find_listed(&self, text: &str) -> Result<Vec<usize>, Error> {
        if let Ok(whole) = self.find_channel(text) {
            return Ok(vec![whole]);
        }
        let mut found = Vec::new();
        let mut rest = Some(text);
        while let Some(list) = rest {
            let channel;
            (channel, rest) = self.first_listed(list.trim_start())?;
            found.push(channel);
        }
        Ok(found)
    }

    /// The first channel of a list, and the list after its comma.
    fn first_listed<'a>(&self, list: &'a str) -> Result<(usize, Option<&'a str>), Error> {
        let named = |(i, channel): (usize, &Channel)| {
            let after = list.strip_prefix(channel.name.as_str())?.trim_start();
            let rest = after.strip_prefix(',');
            (after.is_empty() || rest.is_some()).then_some((channel.name.len(), i, rest))
        };
        let channels = self.channels.iter().enumerate().rev();
        if let Some((_, i, rest)) = channels
            .filter_map(named)
            .max_by_key(|(length, _, _)| *length)
        {
            return Ok((i, rest));
        }
        let (first, rest) = match list.split_once(',') {
            Some((first, rest)) => (first, Some(rest)),
            None => (list, None),
        };
        Ok((self.find_channel(first.trim())?, rest))
    }

    /// 0-based index of the channel of this name, else of this 1-based number.
    ///
    /// # Errors
    /// `NoSuchChannel`, with the names that there are.
    pub(crate) fn find_channel(&self, name: &str) -> Result<usize, Error> {
        let numbered = || {
            let number = name.parse::<usize>().ok()?;
            (1..=self.channels.len())
                .contains(&number)
                .then(|| number - 1)
        };
        self.channels
            .iter()
            .position(|c| c.name == name)
            .or_else(numbered)
            .ok_or_else(|| {
                let known: Vec<&str> = self.channels.iter().map(|c| c.name.as_str()).collect();
                ErrorKind::NoSuchChannel.error(format!(
                    "there is no channel '{name}'; the channels are {}",
                    known.join(", ")
                ))
            })
    }

    /// Frames to read at a time: at most so many, fewer where the capture is shorter or has very many
    /// channels, so that a header's claim alone takes no memory.
    pub(crate) fn block_frames(&self, most: usize) -> usize {
        const VALUES_MOST: usize = 1 << 21;
        let room = VALUES_MOST / self.channels.len().max(1);
        let held = self
            .frames
            .and_then(|frames| usize::try_from(frames).ok())
            .unwrap_or(most);
        most.min(room).min(held).max(1)
    }
}

/// Names told apart: a twin gets the next free number.
pub(crate) fn twins_numbered(names: impl IntoIterator<Item = String>) -> Vec<String> {
    let mut taken: HashSet<String> = HashSet::new();
    // The number that the next twin of a name may have.
    let mut twins: HashMap<String, usize> = HashMap::new();
    let mut told = Vec::new();
    for plain in names {
        let mut name = plain.clone();
        while !taken.insert(name.clone()) {
            let twin = twins.entry(plain.clone()).or_insert(2);
            name = format!("{plain} ({twin})");
            *twin += 1;
        }
        told.push(name);
    }
    told
}
