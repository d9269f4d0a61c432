//! What the keys of a preamble mean, in the trade's general words.

use crate::load::vocabulary::title::words;
use serde::{Deserialize, Serialize};
use std::fmt;

/// What a key means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Meaning {
    /// Frames per second.
    SampleRate,
    /// Time from frame to frame.
    SampleInterval,
    /// Number of frames.
    Points,
    /// Units of the channel a converter count stands for.
    CountScale,
    /// Count that stands for zero.
    CountReference,
    /// Added to the scaled counts.
    Offset,
    /// Range of the input.
    FullScale,
    /// Input coupling.
    Coupling,
    /// Attenuation of the probe.
    ProbeFactor,
    /// Unit of the values.
    ValueUnit,
    /// Unit of the time column.
    TimeUnit,
    /// Time of the first frame.
    StartTime,
    /// Frame, or share of the record, at which the trigger lies.
    TriggerPosition,
    /// Name of a channel.
    ChannelName,
}

impl fmt::Display for Meaning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.serialize(f)
    }
}

/// Keys that hold one of these words say nothing of the time base or the scale.
const IGNORED: &str = "\
    bandwidth, filter, cutoff, generator, carrier, mains, fundamental, baud, refresh, trigger level, \
    trigger source, trigger type, trigger mode, trigger slope, trigger coupling, holdoff, display, \
    cursor, firmware, averag, serial, math";

/// The words for one meaning, parted by blanks. A key is taken without its own blanks, signs and
/// capitals.
struct Entry {
    meaning: Meaning,
    /// Any of these may be part of the key,
    parts: &'static str,
    /// or one of these the whole of it.
    whole: &'static str,
    /// A part counts only beside one of these, where there are any.
    beside: &'static str,
    /// None of these may be in the key.
    never: &'static str,
}

impl Entry {
    const NONE: Self = Self {
        meaning: Meaning::ChannelName,
        parts: "",
        whole: "",
        beside: "",
        never: "",
    };

    fn fits(&self, key: &str) -> bool {
        let holds = |words: &str| words.split_whitespace().any(|word| key.contains(word));
        let part = holds(self.parts) && (self.beside.is_empty() || holds(self.beside));
        let whole = || self.whole.split_whitespace().any(|word| word == key);
        (part || whole()) && !holds(self.never)
    }
}

/// The first entry that fits a key counts.
const VOCABULARY: [Entry; 14] = [
    Entry {
        meaning: Meaning::Coupling,
        parts: "coupling",
        ..Entry::NONE
    },
    Entry {
        meaning: Meaning::ProbeFactor,
        parts: "probe",
        whole: "probe attenuation attenuationfactor atten probeatten inputattenuation",
        beside: "attenuation factor ratio gain scale setting probechannel",
        ..Entry::NONE
    },
    Entry {
        meaning: Meaning::TimeUnit,
        whole: "\
            xunit xunits horizontalunit horizontalunits timeunit timeunits xaxisunit xaxisunits \
            timebaseunit",
        ..Entry::NONE
    },
    Entry {
        meaning: Meaning::ValueUnit,
        whole: "\
            unit units yunit yunits verticalunit verticalunits valueunit valueunits dataunit \
            dataunits measurementunit measurementunits yaxisunit yaxisunits yunitlabel channelunit \
            channelunits amplitudeunit amplitudeunits einheit engineeringunit engineeringunits \
            voltageunit voltageunits signalunit",
        ..Entry::NONE
    },
    Entry {
        meaning: Meaning::TriggerPosition,
        parts: "\
            triggerposition triggerpoint triggersample triggerindex triggeraddress \
            pretriggersamples pretriggerpoints presamples",
        whole: "pretrigger ptoff pretrig trigpos triggerat",
        ..Entry::NONE
    },
    Entry {
        meaning: Meaning::SampleRate,
        parts: "\
            samplerate samplingrate samplefreq samplingfreq samplespersec sampless \
            acquisitionrate acquisitionfreq scanrate datarate recordrate recordingrate \
            digitizingrate digitizerrate loggingrate lograte pointspersec abtastrate \
            abtastfrequenz samplehz readingspersec sasec conversionrate digitizerfreq",
        whole: "\
            fs sr rate srate fsample samprate fsamp framerate fshz ratehz sps samplefs sampling \
            odr",
        ..Entry::NONE
    },
    Entry {
        meaning: Meaning::SampleInterval,
        parts: "\
            sampleinterval samplinginterval sampleperiod samplingperiod sampletime samplingtime \
            timestep timeincr timeinterval timedelta deltatime xincr xinc xdelta deltax xstep \
            timeperpoint timepersample secondspersample secondsperpoint hinterval horizontalint \
            horizontalincr horizontalstep intervaltime timeresolution horizontalres hresolution \
            logginginterval loginterval logevery sampleevery recordinginterval recordinterval scaninterval \
            pointspacing samplespacing abtastintervall sampledistance samplestep readinginterval \
            sampdt sampleincr acquisitioninterval measurementinterval measureinterval dtseconds \
            pointinterval",
        whole: "\
            dt increment interval tinc tincr tincrement step delta dx xinterval tdelta deltat δt \
            δtime tstep tsample tsamp ts tint dtsec dts incr xres xresolution stepsize \
            resolutiontime",
        never: "trigger delay scale div window capture total gate",
        ..Entry::NONE
    },
    Entry {
        meaning: Meaning::Points,
        parts: "\
            recordlength numberofpoints numpoints npoints pointcount numberofsamples numsamples \
            nsamples samplecount memorylength memorydepth waveformlength datapoints datalength \
            nrofpoints noofpoints nrofsamples noofsamples tracelength samplesperchannel \
            pointsperchannel numberofreadings numberofframes framecount samplesnumber \
            pointsnumber recordpoints totalsamples totalpoints waveformpoints wavelength",
        whole: "\
            points samples npts nrpt length frames readings nopoints numpts nrpts nsamp pts",
        ..Entry::NONE
    },
    Entry {
        meaning: Meaning::CountReference,
        parts: "\
            yreference yref zerocount zerocode countzero adczero midscale offsetcount \
            countoffset countsoffset zeropoint codezero offsetlsb offsetcode zerolevel \
            referencecount midcode countreference zeroreference",
        whole: "yoff reference",
        ..Entry::NONE
    },
    Entry {
        meaning: Meaning::FullScale,
        parts: "\
            fullscale inputrange voltagerange verticalrange measurementrange measuringrange \
            adcrange channelrange inputspan rangesetting messbereich",
        whole: "range fsr span maxinput yrange rangev fsv",
        ..Entry::NONE
    },
    Entry {
        meaning: Meaning::StartTime,
        parts: "offset",
        whole: "\
            starttime xorigin xzero xstart firstpoint firsttime timeorigin horizontalstart \
            begintime t0 start starttimes starttimesec xorg xmin timestart timeoffirstpoint \
            timeoffirstsample tstart xoffset origin t0s",
        beside: "time horizontal xoff",
        ..Entry::NONE
    },
    Entry {
        meaning: Meaning::Offset,
        parts: "offset",
        whole: "yzero yorigin zero intercept yzer yorg",
        never: "position",
        ..Entry::NONE
    },
    Entry {
        meaning: Meaning::CountScale,
        parts: "\
            verticalscale yscale ymult yincr yinc voltspercount countstovolts scalefactor \
            scalingfactor calibrationfactor conversionfactor verticalgain channelgain adcgain \
            lsbsize lsbvalue lsbweight ystep verticalincr verticalstep codewidth verticalmult \
            calfactor",
        whole: "\
            gain scale scaling lsb multiplier factor slope vlsb ygain mult voltslsb lsbv scalev \
            gainv",
        ..Entry::NONE
    },
    Entry {
        meaning: Meaning::ChannelName,
        parts: "channelname channellabel",
        whole: "\
            channel source sourcename sourcechannel trace tracename signal signalname inputname \
            kanal kanalname",
        ..Entry::NONE
    },
];

/// Marks of a scale in units of the channel for each converter count.
const PER_COUNT: &str = "\
    /count, /lsb, /bit, /code, /digit, /adc, per count, per lsb, per bit, per code, per digit";

impl Meaning {
    /// The meaning of a key, where it is one of those used, unless it could as well head a column.
    pub(crate) fn of_key_alone(key: &str) -> Option<Self> {
        Self::of(key).filter(|meaning| *meaning != Self::ChannelName)
    }

    /// The meaning of a key, where it is one of those used.
    pub(crate) fn of(key: &str) -> Option<Self> {
        let key_alone = key.split(['(', '[']).next().unwrap_or(key);
        if key_alone.len() > 120 {
            return None;
        }
        let words = words(key_alone);
        if words.is_empty() || words.len() > 8 {
            return None;
        }
        let spaced = words.join(" ");
        if IGNORED.split(", ").any(|word| spaced.contains(word)) {
            return None;
        }
        let lower = key.to_lowercase();
        if PER_COUNT.split(", ").any(|mark| lower.contains(mark)) && !lower.contains("div") {
            return Some(Self::CountScale);
        }
        let squeezed = words.concat();
        let entry = VOCABULARY.iter().find(|entry| entry.fits(&squeezed));
        entry.map(|entry| entry.meaning)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_have_meanings() {
        for (key, expected) in [
            ("Sample Rate", Some(Meaning::SampleRate)),
            ("sampling_rate_hz", Some(Meaning::SampleRate)),
            ("Fs", Some(Meaning::SampleRate)),
            ("Sampling Frequency [kHz]", Some(Meaning::SampleRate)),
            ("Sample Interval", Some(Meaning::SampleInterval)),
            ("XINCREMENT", Some(Meaning::SampleInterval)),
            ("dt", Some(Meaning::SampleInterval)),
            ("\u{394}t", Some(Meaning::SampleInterval)),
            ("Record Length", Some(Meaning::Points)),
            ("Vertical Scale", Some(Meaning::CountScale)),
            ("mV per count", Some(Meaning::CountScale)),
            ("Vertical Offset", Some(Meaning::Offset)),
            ("Y Reference", Some(Meaning::CountReference)),
            ("Input Range", Some(Meaning::FullScale)),
            ("Coupling", Some(Meaning::Coupling)),
            ("Probe Attenuation", Some(Meaning::ProbeFactor)),
            ("Vertical Units", Some(Meaning::ValueUnit)),
            ("Horizontal Units", Some(Meaning::TimeUnit)),
            ("Start Time", Some(Meaning::StartTime)),
            ("Trigger Position", Some(Meaning::TriggerPosition)),
            ("Trigger Level", None),
            ("Bandwidth", None),
            ("Frequency", None),
            ("Model", None),
            ("Horizontal Scale", None),
        ] {
            assert_eq!(Meaning::of(key), expected, "{key}");
        }
    }
}
