//! From the fits to the reported figures.

use super::folding::Folding;
use super::groups::HarmonicGroups;
use crate::analysis::combined::{CombinedHarmonic, GRID_WALK, line_power};
use crate::analysis::interval::is_coarse;
use crate::analysis::measurement::{
    BandNoise, Harmonic, Mains, Measurement, Noise, Quality, Spectrum, Tone, Track, TrackPoint,
    Waveform,
};
use crate::analysis::noise::MeanWindow;
use crate::analysis::noise::{NoiseFloor, RemovedLine};
use crate::analysis::options::MeasureOptions;
use crate::analysis::record::High;
use crate::analysis::record::OwnScale;
use crate::analysis::record::{rounding_bias, rounding_line};
use crate::analysis::stream::AliasedMains;
use crate::analysis::stream::{Stream, StreamFit};
use crate::analysis::tones::find_peaks;
use crate::capture::{CaptureHeader, Coupling};
use crate::hum::Presence;
use crate::spectrum::{Decimator, Weighting};
use crate::stats::{self, Estimate, LinePower, f_cdf};
use crate::{Warning, WarningCode};

/// Probability of a false detection of the mains in a record that holds none.
const SERIES_FALSE_ALARM: f64 = 0.01;
/// Probability that any harmonic is falsely called detected.
const HARMONIC_FALSE_ALARM: f64 = 0.01;

/// What is known of a channel beside its fits.
pub(crate) struct ChannelFacts<'a> {
    pub(crate) header: &'a CaptureHeader,
    pub(crate) index: usize,
    pub(crate) frames: usize,
    /// Mean that was taken off the stream.
    pub(crate) mean: f64,
    /// Time of the stream's first sample, s from the record's first.
    pub(crate) first_at_s: f64,
    pub(crate) waveform: Waveform,
    pub(crate) missing: u64,
    pub(crate) clipped: u64,
    pub(crate) step: Option<f64>,
    pub(crate) decimator: Option<Decimator>,
    /// Density at the record's own rate, where the stream is a decimated one.
    pub(crate) high: Option<High>,
    pub(crate) source_warnings: &'a [Warning],
    /// What the samples were multiplied by.
    pub(crate) scale: OwnScale,
}

impl ChannelFacts<'_> {
    pub(crate) fn rate_hz(&self) -> f64 {
        self.header.time_base.sample_rate_hz
    }

    /// An amplitude in the channel's own unit.
    pub(crate) fn told(&self, amplitude: f64) -> f64 {
        amplitude * self.scale.back()
    }

    /// Corner of the AC coupling: as stated for this measurement, else that of the capture, unless it was DC coupled.
    fn ac_corner_hz(&self, options: &MeasureOptions) -> Option<f64> {
        let acquisition = &self.header.acquisition;
        let own = acquisition
            .ac_corner_hz
            .filter(|_| acquisition.coupling != Some(Coupling::Dc));
        options.ac_corner_hz.or(own)
    }

    /// Mains frequencies that are asked for and that the rate does not carry.
    fn aliased(&self, options: &MeasureOptions) -> Vec<AliasedMains> {
        let nominals = options.mains.nominals_hz().into_iter();
        nominals
            .filter_map(|hz| AliasedMains::of(hz, self.rate_hz()))
            .collect()
    }

    /// Amplitudes below this are the rounding of the numbers that the samples are given as.
    fn resolvable(&self) -> f64 {
        1e-13 * self.waveform.max.abs().max(self.waveform.min.abs())
    }

    /// A measurement of these figures, its parts that are not always there left out.
    pub(crate) fn measurement(
        &self,
        options: &MeasureOptions,
        dc_offset: Estimate,
        mains: Mains,
        noise: Noise,
        warnings: Vec<Warning>,
    ) -> Measurement {
        let channel = &self.header.channels[self.index];
        Measurement {
            file: self.header.name.clone(),
            channel: channel.name.clone(),
            unit: channel.unit.clone(),
            sample_rate_hz: self.rate_hz(),
            samples: self.frames as u64,
            duration_s: self.duration_s(),
            start_s: None,
            confidence: options.confidence,
            dc_offset,
            mains,
            noise,
            tones: Vec::new(),
            waveform: self.waveform,
            quality: Quality {
                clipped_samples: self.clipped,
                missing_samples: self.missing,
                lsb: self.step,
                warnings,
            },
            evidence: Vec::new(),
            harmonic_groups: None,
            other_mains: None,
            acquisition: self.header.acquisition.clone(),
            spectrum: None,
            folded: None,
            track: None,
        }
    }

    pub(crate) fn duration_s(&self) -> f64 {
        self.frames as f64 / self.rate_hz()
    }

    fn gain(&self, frequency_hz: f64) -> f64 {
        self.decimator
            .as_ref()
            .map_or(1.0, |d| d.gain(frequency_hz / self.rate_hz()))
    }
}

/// Builds the measurement.
pub(crate) fn assemble(
    facts: &ChannelFacts<'_>,
    stream: &Stream,
    fit: &StreamFit,
    options: &MeasureOptions,
) -> Measurement {
    let mut warnings = facts.source_warnings.to_vec();
    let floors = Floors::new(facts, stream, fit);
    let mains = mains(facts, fit, options, &mut warnings);
    let mut tones = tones(facts, fit, &floors, &mains, options);
    let mut noise = noise(facts, &floors, fit, options, &mut warnings);
    let rounding = rounded_line(facts, fit) / 2f64.sqrt();
    if rounding > 0.0 {
        return_to_noise(&mut noise, &mut tones, rounding);
    }
    let dc_offset = offset(facts, stream, fit, options);
    quality_warnings(facts, &noise, options, &mut warnings);
    record_warnings(facts, fit, &mains, &mut warnings);
    let mut measurement = facts.measurement(options, dc_offset, mains, noise, warnings);
    measurement.tones = tones;
    measurement.spectrum = options.detail.spectrum.then(|| floors.spectrum());
    measurement.track = track(facts, stream, fit);
    bound_by_step(&mut measurement);
    if fit.interval.is_none() {
        let line = rounded_line(facts, fit) / 2f64.sqrt();
        let mains = &mut measurement.mains;
        let figures = mains.hum_rms.iter_mut();
        for figure in figures.chain(mains.harmonics.iter_mut().map(|h| &mut h.rms)) {
            widen(figure, line);
        }
    }
    if measurement.mains.detected {
        measurement.folded = fit.folding.as_ref().map(Folding::figures);
        measurement.harmonic_groups = grouped(facts, fit, options);
    }
    measurement.evidence = super::cause::evidence(&measurement, fit_cycle(fit, facts).as_deref());
    measurement
}

/// The low-rate floor up to where it is clean, the record's own above.
struct Floors {
    low: NoiseFloor,
    low_total: Vec<f64>,
    high: Option<(NoiseFloor, Vec<f64>, Vec<crate::analysis::tones::PeakBin>)>,
    split_hz: f64,
    records: usize,
    nyquist_hz: f64,
}

impl Floors {
    fn new(facts: &ChannelFacts<'_>, stream: &Stream, fit: &StreamFit) -> Self {
        let mut low = fit.floor.clone();
        // Within the tapers' width of 0 Hz a steep rise leaks into the bins: the fitted law instead.
        let leaky = low.tapers() as usize + 3;
        for (b, value) in low.density.iter_mut().enumerate().take(leaky).skip(1) {
            if let Some(level) = fit.slow.rising(b as f64 * low.bin_hz) {
                *value = level;
            }
        }
        let mut low_total = fit.total.mean();
        if facts.decimator.is_some() {
            let bin_hz = low.bin_hz;
            for (b, (noise, total)) in low.density.iter_mut().zip(&mut low_total).enumerate() {
                let gain = facts.gain(b as f64 * bin_hz).max(1e-3).powi(2);
                *noise /= gain;
                *total /= gain;
            }
        }
        let split_hz = if facts.high.is_some() {
            stream.clean_to_hz
        } else {
            0.5 * stream.rate_hz
        };
        let high = facts.high.as_ref().map(|high| {
            let (estimator, density) = (high.tapers(), &high.density);
            let free = NoiseFloor::new(estimator, density, &[]);
            let peaks: Vec<_> = find_peaks(density, &free, split_hz)
                .into_iter()
                .filter(|p| p.frequency_hz > split_hz)
                .collect();
            let scar = (0.5 * estimator.count() as f64 + 2.0) * density.bin_hz;
            let lines: Vec<RemovedLine> = peaks
                .iter()
                .map(|p| RemovedLine {
                    frequency_hz: p.frequency_hz,
                    fitted_over_s: 1.0 / density.bin_hz,
                    covers_hz: scar,
                })
                .collect();
            (
                NoiseFloor::new(estimator, density, &lines),
                density.mean(),
                peaks,
            )
        });
        Self {
            low,
            low_total,
            high,
            split_hz,
            records: fit.total.records,
            nyquist_hz: 0.5 * facts.rate_hz(),
        }
    }

    /// Noise power in a band and its degrees of freedom.
    fn power_between(&self, low_hz: f64, high_hz: f64) -> (f64, f64) {
        match &self.high {
            Some((high, _, _)) if high_hz > self.split_hz => {
                let (above, above_dof) = high.power_between(low_hz.max(self.split_hz), high_hz);
                if low_hz >= self.split_hz {
                    return (above, above_dof);
                }
                let (below, below_dof) = self.low.power_between(low_hz, self.split_hz);
                let power = above + below;
                // Welch-Satterthwaite: the two bands are independent.
                let dof = power * power / (above * above / above_dof + below * below / below_dof);
                (power, if dof.is_finite() { dof } else { below_dof })
            }
            _ => self.low.power_between(low_hz, high_hz),
        }
    }

    fn spectrum(&self) -> Spectrum {
        let mut frequency = Vec::new();
        let mut total = Vec::new();
        let mut noise = Vec::new();
        for (b, (n, t)) in self
            .low
            .density
            .iter()
            .zip(&self.low_total)
            .enumerate()
            .skip(1)
        {
            let f = b as f64 * self.low.bin_hz;
            if f > self.split_hz {
                break;
            }
            frequency.push(f);
            total.push(t.sqrt());
            noise.push(n.sqrt());
        }
        if let Some((floor, raw, _)) = &self.high {
            for (b, (n, t)) in floor.density.iter().zip(raw).enumerate().skip(1) {
                let f = b as f64 * floor.bin_hz;
                if f > self.split_hz && f <= self.nyquist_hz {
                    frequency.push(f);
                    total.push(t.sqrt());
                    noise.push(n.sqrt());
                }
            }
        }
        Spectrum::new(
            frequency,
            total,
            noise,
            self.low.bin_dof * self.records.max(1) as f64,
        )
    }
}

fn line_estimate(power: &LinePower, gain: f64, confidence: f64) -> Estimate {
    let scale = 1.0 / (gain * gain);
    stats::line_rms(
        power.observed_v2 * scale,
        power.noise_v2 * scale,
        power.components,
        power.noise_dof,
        confidence,
    )
}

fn scaled(power: &LinePower, gain: f64) -> LinePower {
    let scale = 1.0 / (gain * gain);
    LinePower::new(
        power.observed_v2 * scale,
        power.noise_v2 * scale,
        power.components,
        power.noise_dof,
    )
}

/// Probability that noise alone gives a line this strong.
fn chance(power: &LinePower) -> f64 {
    if power.noise_v2 <= 0.0 {
        return if power.observed_v2 > 0.0 { 0.0 } else { 1.0 };
    }
    1.0 - f_cdf(
        power.observed_v2 / power.noise_v2,
        power.components,
        power.noise_dof,
    )
}

fn sum_of<'a>(harmonics: impl Iterator<Item = &'a LinePower>) -> LinePower {
    let (mut observed, mut noise, mut variance, mut dof_terms) = (0.0, 0.0, 0.0, 0.0);
    for p in harmonics {
        let signal = (p.observed_v2 - p.noise_v2).max(0.0);
        observed += p.observed_v2;
        noise += p.noise_v2;
        // Of a noncentral chi-square in units of a component's noise: 2m + 4λ.
        let own = p.noise_v2 * (2.0 * p.noise_v2 + 4.0 * signal) / p.components;
        variance += own;
        dof_terms += own * own / p.noise_dof;
    }
    let dof = if dof_terms > 0.0 {
        variance * variance / dof_terms
    } else {
        f64::INFINITY
    };
    line_power(observed, noise, variance, dof.max(1.0))
}

fn mains(
    facts: &ChannelFacts<'_>,
    fit: &StreamFit,
    options: &MeasureOptions,
    warnings: &mut Vec<Warning>,
) -> Mains {
    let cycles = facts.duration_s() * fit.nominal_hz;
    let level = options.confidence;
    let aliased = facts.aliased(options);
    if cycles >= 1.0 {
        warnings.extend(aliased.iter().map(AliasedMains::warning));
    }
    if fit.orders == 0 || cycles < 1.0 || fit.segments.is_empty() {
        if cycles < 1.0 {
            warnings.push(Warning::new(
                WarningCode::ShortRecord,
                format!(
                    "the record holds {cycles:.2} mains cycles; at least one is needed for harmonics, two for the frequency"
                ),
            ));
        } else if aliased.is_empty() {
            warnings.push(Warning::new(
                WarningCode::MainsNotDetected,
                "the sample rate leaves no mains harmonic well below half of it; capture at a higher rate",
            ));
        }
        return Mains {
            nominal_hz: fit.nominal_hz,
            detected: false,
            frequency_hz: None,
            hum_rms: None,
            thd_percent: None,
            harmonics: Vec::new(),
            power: LinePower::default(),
        };
    }
    if cycles < 2.0 {
        warnings.push(Warning::new(
            WarningCode::ShortRecord,
            format!(
                "the record holds {cycles:.2} mains cycles; below two the frequency rests on the nominal {} Hz +/- 1 %: \
                 capture a longer record",
                fit.nominal_hz
            ),
        ));
    }
    let combined = &fit.combined;
    let gains: Vec<f64> = (1..=fit.orders)
        .map(|k| coupled_gain(facts, options, k as f64 * combined.frequency_hz))
        .collect();
    let powers: Vec<LinePower> = combined.harmonics.iter().map(|h| h.power).collect();
    let stands = series_detected(
        &powers,
        facts.duration_s(),
        fit.nominal_hz,
        SERIES_FALSE_ALARM,
    );
    let stands = match &fit.presence {
        Presence::Present(_) => true,
        Presence::Absent { plain: false } => false,
        Presence::Absent { plain: true } | Presence::Unseen => stands,
    };
    // Below that, and where no frequency stands in the band, there is a sum of roundings and no hum.
    let carried = (0.0..0.5 * facts.rate_hz()).contains(&combined.frequency_hz);
    let real = |p: &LinePower| p.observed_v2 > facts.resolvable().powi(2);
    let stands = stands && carried && powers.iter().any(real);
    let detected = fit.decided && stands;
    // Powers at the input: the decimator's droop and a stated coupling corner divided out.
    let at_input: Vec<LinePower> = powers
        .iter()
        .zip(&gains)
        .map(|(p, g)| scaled(p, *g))
        .collect();
    let mut total = sum_of(at_input.iter());
    let mut hum_rms = line_estimate(&total, 1.0, level);
    if let Some(bounded) = &fit.interval {
        // At the input as the sum of the orders is.
        let seen: f64 = powers.iter().map(|p| p.observed_v2).sum();
        let gain = (seen / total.observed_v2.max(f64::MIN_POSITIVE)).sqrt();
        let gain = if gain > 0.0 { gain } else { 1.0 };
        total = bounded.power(gain, level);
        hum_rms = bounded.hum_rms(gain, level);
    }
    let single = HARMONIC_FALSE_ALARM / fit.orders as f64;
    let harmonics: Vec<Harmonic> = combined
        .harmonics
        .iter()
        .zip(&at_input)
        .enumerate()
        .map(|(i, (h, power))| {
            let order = i + 1;
            let own = detected && real(power) && chance(power) < single;
            let mut rms = line_estimate(power, 1.0, level);
            if !own && rms.low > 0.0 {
                // Chosen as the best of many places: not resolved by the family-wise test.
                rms.low = 0.0;
            }
            Harmonic {
                order,
                rms,
                phase_deg: phase(facts, options, h, order, combined.frequency_hz),
                detected: own,
                power: *power,
            }
        })
        .collect();
    let mut harmonics = harmonics;
    cover_foreign(fit, &mut harmonics, &mut hum_rms);
    if !combined.tracked {
        cover_steady(fit, &mut harmonics, &mut hum_rms);
    }
    if !detected {
        hum_rms.low = 0.0;
        warnings.push(Warning::new(
            WarningCode::MainsNotDetected,
            if stands { format!(
                "there is hum, but the record of {cycles:.1} cycles does not tell 50 from 60 Hz at odds of 1000 to 1: \
                 capture a longer record, or state the nominal frequency"
            ) } else { format!(
                "no mains series was found near {} Hz (false-alarm probability 1 %); hum below {:.3e} {} would not \
                 have been seen",
                fit.nominal_hz, facts.told(hum_rms.high), facts.header.channels[facts.index].unit
            ) },
        ));
    }
    let thd_percent = harmonics.first().filter(|h| h.detected).map(|fundamental| {
        let others: f64 = at_input[1..]
            .iter()
            .map(|p| (p.observed_v2 - p.noise_v2).max(0.0))
            .sum();
        100.0 * others.sqrt() / fundamental.rms.value
    });
    let rate_share = facts.header.time_base.sample_rate_uncertainty_hz / facts.rate_hz();
    let frequency_hz = detected.then(|| {
        let (value, own) = mean_frequency(facts, fit);
        let variance = own + (rate_share * combined.frequency_hz).powi(2);
        Estimate::student(value, variance.sqrt(), frequency_dof(fit), level)
    });
    Mains {
        nominal_hz: fit.nominal_hz,
        detected,
        frequency_hz,
        hum_rms: Some(hum_rms),
        thd_percent,
        harmonics,
        power: total,
    }
}

/// Deviations by which the two ways to the mean frequency may differ.
const DISAGREE: f64 = 3.0;

/// The mean frequency and its variance: from the common phase where single segments tell it, or nothing but noise is beside
/// the hum; else from the lines of the whole record.
fn mean_frequency(facts: &ChannelFacts<'_>, fit: &StreamFit) -> (f64, f64) {
    let combined = &fit.combined;
    let whole = !fit.residual.is_empty();
    match &fit.presence {
        // Of a record of several stretches the look is that of the first.
        Presence::Present(seen) if whole && !seen.plain && !combined.tracked => {
            let apart =
                GRID_WALK * GRID_WALK * facts.duration_s() / (8.0 * std::f64::consts::PI.powi(2));
            let own = seen.uncertainty_hz.powi(2) + apart;
            let miss = (combined.frequency_hz - seen.fundamental_hz).powi(2);
            if !combined.followed {
                (seen.fundamental_hz, own)
            } else if miss > DISAGREE * DISAGREE * (own + combined.frequency_variance) {
                (seen.fundamental_hz, own + miss / (DISAGREE * DISAGREE))
            } else {
                (combined.frequency_hz, combined.frequency_variance)
            }
        }
        _ => (combined.frequency_hz, combined.frequency_variance),
    }
}

/// Degrees of freedom of the noise that governs the frequency: that beside the strongest order.
fn frequency_dof(fit: &StreamFit) -> f64 {
    let strongest = fit
        .combined
        .harmonics
        .iter()
        .zip(&fit.noise)
        .enumerate()
        .max_by(|(i, (a, _)), (j, (b, _))| {
            let weight = |k: usize, h: &CombinedHarmonic| {
                ((k + 1) as f64).powi(2) * h.amplitude.norm_sqr()
                    / h.variance.max(f64::MIN_POSITIVE)
            };
            weight(*i, a).total_cmp(&weight(*j, b))
        });
    strongest.map_or(f64::INFINITY, |(_, (_, noise))| noise.dof)
}

/// Droop of the decimator times the loss of a stated AC-coupling corner.
fn coupled_gain(facts: &ChannelFacts<'_>, options: &MeasureOptions, frequency_hz: f64) -> f64 {
    let corner = facts.ac_corner_hz(options).map_or(1.0, |corner| {
        1.0 / (1.0 + (corner / frequency_hz).powi(2)).sqrt()
    });
    facts.gain(frequency_hz) * corner
}

fn phase(
    facts: &ChannelFacts<'_>,
    options: &MeasureOptions,
    harmonic: &CombinedHarmonic,
    order: usize,
    fundamental_hz: f64,
) -> Option<Estimate> {
    let frequency = order as f64 * fundamental_hz;
    // From the stream's first sample back to the record's; a coupling corner leads by atan(fc/f).
    let lead = facts
        .ac_corner_hz(options)
        .map_or(0.0, |corner| (corner / frequency).atan());
    let radians =
        harmonic.amplitude.arg() - std::f64::consts::TAU * frequency * facts.first_at_s - lead;
    let u = harmonic.phase_variance.sqrt();
    if !(u < 1.0) {
        return None;
    }
    let degrees = (radians.to_degrees() + 180.0).rem_euclid(360.0) - 180.0;
    Some(Estimate::student(
        degrees,
        u.to_degrees(),
        harmonic.power.noise_dof,
        options.confidence,
    ))
}

/// The test of the whole series: any of three sums (fundamental, odd orders to 9, all) beyond what noise gives, each
/// at a third of `false_alarm`, corrected for the number of independent places in the range that was searched.
pub(crate) fn series_detected(
    powers: &[LinePower],
    duration_s: f64,
    nominal_hz: f64,
    false_alarm: f64,
) -> bool {
    let groups: [&dyn Fn(usize) -> bool; 3] = [&|k| k == 1, &|k| k % 2 == 1 && k <= 9, &|_| true];
    groups.iter().any(|wanted| {
        let members: Vec<usize> = (1..=powers.len()).filter(|&k| wanted(k)).collect();
        let Some(&top) = members.last() else {
            return false;
        };
        // A lone line on a higher multiple is a tone: sums of several orders go without their largest.
        let largest = members.iter().copied().max_by(|&a, &b| {
            let ratio = |k: usize| {
                powers[k - 1].observed_v2 / powers[k - 1].noise_v2.max(f64::MIN_POSITIVE)
            };
            ratio(a).total_cmp(&ratio(b))
        });
        let members: Vec<usize> = members
            .iter()
            .copied()
            .filter(|&k| members.len() < 3 || Some(k) != largest)
            .collect();
        // The sum over unequal noise is tested in units of each order's own.
        let (mut ratio, mut components, mut dof) = (0.0, 0.0, f64::INFINITY);
        for &k in &members {
            let p = &powers[k - 1];
            if p.noise_v2 <= 0.0 {
                return p.observed_v2 > 0.0;
            }
            ratio += p.observed_v2 / p.noise_v2 * p.components;
            components += p.components;
            dof = dof.min(p.noise_dof);
        }
        dof *= (members.len() as f64).sqrt();
        let cells =
            1.0 + 2.0 * crate::analysis::stream::GRID_RANGE * nominal_hz * duration_s * top as f64;
        let chance = 1.0 - f_cdf(ratio / components, components, dof);
        chance * cells * groups.len() as f64 <= false_alarm
    })
}

fn tones(
    facts: &ChannelFacts<'_>,
    fit: &StreamFit,
    floors: &Floors,
    mains: &Mains,
    options: &MeasureOptions,
) -> Vec<Tone> {
    let mut tones: Vec<Tone> = fit
        .tones
        .iter()
        .filter_map(|tone| {
            let line = tone.combined.harmonics.first()?;
            let power = scaled(&line.power, facts.gain(tone.combined.frequency_hz));
            Some(Tone {
                frequency_hz: Estimate::student(
                    tone.combined.frequency_hz,
                    tone.combined.frequency_variance.sqrt(),
                    line.power.noise_dof,
                    options.confidence,
                ),
                rms: line_estimate(&power, 1.0, options.confidence),
                relation: None,
                power,
            })
        })
        .collect();
    tones.extend(
        fit.faint_hz.iter().map(|&frequency_hz| {
            high_tone(frequency_hz, &fit.floor, &fit.left, options.confidence)
        }),
    );
    if let Some((floor, raw, peaks)) = &floors.high {
        tones.extend(
            peaks
                .iter()
                .map(|peak| high_tone(peak.frequency_hz, floor, raw, options.confidence)),
        );
    }
    let half_rate = 0.5 * facts.rate_hz();
    tones.retain(|t| {
        t.rms.value > facts.resolvable() && (0.0..half_rate).contains(&t.frequency_hz.value)
    });
    for tone in &mut tones {
        let frequency = &mut tone.frequency_hz;
        (frequency.low, frequency.high) = (frequency.low.max(0.0), frequency.high.min(half_rate));
    }
    tones.sort_by(|a, b| b.rms.value.total_cmp(&a.rms.value));
    super::cause::relate(&mut tones, mains, fit.combined.frequency_hz);
    for aliased in facts.aliased(options) {
        aliased.relate(&mut tones);
    }
    tones
}

/// A tone seen in a density alone: its excess power over the tapers' bandwidth.
fn high_tone(frequency_hz: f64, floor: &NoiseFloor, raw: &[f64], confidence: f64) -> Tone {
    let tapers = floor.tapers();
    let (level, dof) = floor.level_at(frequency_hz, 0.0);
    let reach = tapers.ceil() + 1.0;
    let centre = frequency_hz / floor.bin_hz;
    let from = (centre - reach).ceil().max(0.0) as usize;
    let to = ((centre + reach).floor() as usize).min(raw.len().saturating_sub(1));
    let observed: f64 = raw[from..=to].iter().sum::<f64>() * floor.bin_hz;
    let noise = level * (to - from + 1) as f64 * floor.bin_hz;
    let records = 0.5 * floor.bin_dof;
    let signal = (observed - noise).max(0.0);
    // Over each record the line meets one cell's noise S/T_record.
    let cell = level * floor.bin_hz;
    let variance = (2.0 * signal * cell + noise * cell) / records;
    let power = line_power(observed, noise, variance, dof);
    // Centroid of the tapers' flat top: the single-tone bound of each record, doubled.
    let deviation = 2.0
        * (1.5 * cell / (std::f64::consts::PI.powi(2) * signal.max(cell) * records)).sqrt()
        * floor.bin_hz;
    Tone {
        frequency_hz: Estimate::normal(frequency_hz, deviation, confidence),
        rms: line_estimate(&power, 1.0, confidence),
        relation: None,
        power,
    }
}

fn noise(
    facts: &ChannelFacts<'_>,
    floors: &Floors,
    fit: &StreamFit,
    options: &MeasureOptions,
    warnings: &mut Vec<Warning>,
) -> Noise {
    // What is slow was told as a signal: below where it was taken off there is no noise to read.
    let resolved = fit.floor.bin_hz.max(1.0 / facts.duration_s());
    let lowest = resolved.max(fit.slow_to_hz.min(0.25 * facts.rate_hz()));
    let (low, high) = band(lowest, 0.5 * facts.rate_hz(), options, warnings);
    // Noise over the record is a part of what moves in it.
    let most = facts.waveform.ac_rms.powi(2);
    let rms_between = |low: f64, high: f64| {
        let (power, dof) = floors.power_between(low, high);
        let rms = power.clamp(0.0, most).sqrt();
        (
            stats::chi_square_scale_interval(rms, dof, options.confidence),
            dof,
        )
    };
    let (rms, dof) = rms_between(low, high);
    let per_root = 1.0 / (high - low).sqrt();
    let density = Estimate::new(
        rms.value * per_root,
        (rms.low * per_root, rms.high * per_root),
        rms.standard_uncertainty * per_root,
        dof,
        options.confidence,
    );
    let third_octaves = if options.detail.third_octaves {
        third_octaves(low, high)
            .into_iter()
            .map(|band| BandNoise {
                band_hz: band,
                rms: rms_between(band.0, band.1).0,
            })
            .collect()
    } else {
        Vec::new()
    };
    Noise {
        band_hz: (low, high),
        rms,
        density_v_per_rthz: density,
        corner_hz: floors.low.corner_hz(),
        third_octaves,
    }
}

/// The band of the noise, Hz: what is asked for, as far as the record resolves it.
pub(crate) fn band(
    lowest: f64,
    nyquist: f64,
    options: &MeasureOptions,
    warnings: &mut Vec<Warning>,
) -> (f64, f64) {
    match options.band_hz {
        None => (lowest, nyquist),
        Some((low, high)) => {
            let used = (low.max(0.5 * lowest), high.min(nyquist));
            if used.0 >= used.1 {
                warnings.push(Warning::new(
                    WarningCode::BandReduced,
                    format!(
                        "the band {low}:{high} Hz lies outside what the record resolves; {lowest:.4} to {nyquist} Hz was used"
                    ),
                ));
                (lowest, nyquist)
            } else {
                if used != (low, high) {
                    warnings.push(Warning::new(
                        WarningCode::BandReduced,
                        format!(
                            "of the band {low}:{high} Hz the record resolves {:.4} to {:.4} Hz; capture {}",
                            used.0,
                            used.1,
                            if used.1 < high { "at a higher rate" } else { "a longer record" }
                        ),
                    ));
                }
                used
            }
        }
    }
}

/// Base-ten third-octave bands (IEC 61260-1) that lie wholly within a band.
fn third_octaves(low: f64, high: f64) -> Vec<(f64, f64)> {
    let edge = |n: i32| 10f64.powf((f64::from(n) - 0.5) / 10.0);
    let first = (10.0 * low.max(1e-3).log10()).floor() as i32;
    (first..first + 200)
        .map(|n| (edge(n), edge(n + 1)))
        .filter(|b| b.0 >= low && b.1 <= high)
        .collect()
}

fn offset(
    facts: &ChannelFacts<'_>,
    stream: &Stream,
    fit: &StreamFit,
    options: &MeasureOptions,
) -> Estimate {
    if let Some(bounded) = &fit.interval {
        let (value, variance) = bounded.offset;
        return Estimate::student(
            facts.mean + value,
            variance.sqrt(),
            bounded.degrees_of_freedom,
            options.confidence,
        );
    }
    let half_rate = 0.5 * stream.rate_hz;
    let duration = fit.samples as f64 / stream.rate_hz;
    let window = match fit.settings.weighting {
        Weighting::Hann if fit.segments.len() == 1 => MeanWindow::Hann,
        _ => MeanWindow::Even,
    };
    let (level, dof) = fit.slow.of_mean(window);
    let (value, variance) = match fit.segments.as_slice() {
        [] => (0.0, level / (2.0 * duration)),
        [segment] => {
            let mut noise = fit.settings.noise.clone();
            noise[0] = level * half_rate;
            let own = segment
                .design
                .as_ref()
                .map_or(level / (2.0 * duration), |d| d.offset_variance(&noise));
            let moved = segment.step.offset_slope.powi(2) * segment.step.variance;
            let moved = if moved.is_finite() { moved } else { 0.0 };
            (segment.fit.offset, own + moved)
        }
        segments => {
            let total: f64 = segments.iter().map(|s| s.fit.length as f64).sum();
            let weighted: f64 = segments
                .iter()
                .map(|s| s.fit.offset * s.fit.length as f64)
                .sum();
            // Hann weights sample strong drift unevenly: the record's own mean, taken off before, is
            // better, and many cycles leave no hum in it.
            let value = if fit.settings.weighting == Weighting::Hann {
                fit.mean
            } else {
                weighted / total
            };
            (value, level / (2.0 * duration))
        }
    };
    let (value, variance, dof) = if fit.other.is_some() || fit.part_s.is_some() {
        // What is slow is a signal: the offset is the record's mean, uncertain by the noise above it.
        let (level, dof) = fit.floor.lowest();
        (fit.residual_mean, level / (2.0 * duration), dof)
    } else {
        (value, variance, dof)
    };
    let variance = variance / fit.present;
    // Nothing known of it: the mean of a record lies within what the record spans.
    let most = (facts.waveform.max - facts.waveform.min).powi(2);
    let variance = if variance.is_finite() { variance } else { most };
    let cycles = duration * fit.nominal_hz;
    let short = (cycles < 1.0)
        .then(|| short_offset(stream, fit, options))
        .flatten();
    let (value, variance, dof) = match short {
        Some((value, variance)) => (value, variance, f64::INFINITY),
        None => (value, variance, dof),
    };
    let mut estimate = Estimate::student(
        facts.mean + value,
        variance.max(0.0).sqrt(),
        dof,
        options.confidence,
    );
    if let Some(step) = facts.step {
        let peaks = fit.combined.harmonics.iter().map(|h| h.amplitude.norm());
        let bias = rounding_bias(step, unrounded(step, fit.residual_rms), peaks);
        estimate.low -= bias;
        estimate.high += bias;
        estimate.standard_uncertainty = estimate.standard_uncertainty.hypot(bias / 3f64.sqrt());
    }
    estimate
}

/// Offset of less than a cycle: the hum's higher orders held by what hum is like, the noise read above them.
fn short_offset(stream: &Stream, fit: &StreamFit, options: &MeasureOptions) -> Option<(f64, f64)> {
    let duration = stream.samples.len() as f64 / stream.rate_hz;
    let (level, _) = fit
        .floor
        .mean_between(12.0 / duration, 60.0 / duration)
        .unwrap_or_else(|| fit.floor.lowest());
    let nominals = options.mains.nominals_hz();
    super::below_one_cycle::offset(
        &stream.samples,
        stream.rate_hz,
        &nominals,
        0.5 * level * stream.rate_hz / fit.present,
    )
}

/// A share in percent, with a digit where it is small.
fn percent(share: f64) -> String {
    if share < 1e-4 {
        "under 0.01 %".to_owned()
    } else if share < 0.1 {
        format!("{:.2} %", 100.0 * share)
    } else {
        format!("{:.0} %", 100.0 * share)
    }
}

/// What the record holds that the plain model does not.
fn record_warnings(
    facts: &ChannelFacts<'_>,
    fit: &StreamFit,
    mains: &Mains,
    warnings: &mut Vec<Warning>,
) {
    let other = &fit.other;
    let mut seen: Vec<String> = Vec::new();
    if let Some(first) = other.steps_s.first() {
        seen.push(match other.steps_s.len() {
            1 => format!("a step at {:.4} s", first + facts.first_at_s),
            n => format!("{n} steps, the first at {:.4} s", first + facts.first_at_s),
        });
    }
    if other.slow_span > 0.0 {
        let of_rms = other.slow_span / facts.waveform.ac_rms.max(f64::MIN_POSITIVE);
        seen.push(format!(
            "slow content that spans {of_rms:.2} times the AC RMS"
        ));
    }
    if let Some(first) = other.first_event_s {
        seen.push(format!(
            "passing events in {:.1} % of the samples, the first at {:.4} s",
            100.0 * other.events as f64 / fit.samples.max(1) as f64,
            first + facts.first_at_s
        ));
    }
    if !seen.is_empty() {
        let offset = "; the offset is the mean over the record";
        warnings.push(Warning::new(
            WarningCode::NotInterferenceAlone,
            format!(
                "the record holds more than interference: {}. Hum and noise were read beside it{offset}; capture with \
                 tip and ground lead on the source's ground to see the interference alone",
                seen.join(", ")
            ),
        ));
    }
    if !mains.detected {
        return;
    }
    let resolved = |k: usize| mains.harmonics.get(k - 1).is_some_and(|h| h.detected);
    let moving: Vec<String> = (1..=fit.orders)
        .filter(|&k| {
            let moved = fit.settings.moved.get(k - 1).is_some_and(|m| *m > 1.0);
            resolved(k) && (moved || fit.combined.harmonics[k - 1].unsteady)
        })
        .map(|k| k.to_string())
        .collect();
    if !moving.is_empty() {
        warnings.push(Warning::new(
            WarningCode::ModulatedHum,
            format!(
                "order {} moves within the record by more than noise does: the intervals are those of the record",
                moving.join(", ")
            ),
        ));
    }
    if let Some((from, to)) = fit.part_s {
        warnings.push(Warning::new(
            WarningCode::ModulatedHum,
            format!(
                "the hum is there from {:.4} to {:.4} s alone: hum and harmonics are RMS over the whole record, frequency \
                 and phases those of that part",
                from + facts.first_at_s,
                to + facts.first_at_s
            ),
        ));
    }
    if fit.combined.walk > 0.0 {
        warnings.push(Warning::new(
            WarningCode::MainsDrifts,
            "the mains frequency wanders within the record: frequency and phase are those of the record, their intervals \
             wider than the noise alone gives"
                .to_owned(),
        ));
    }
    if let Presence::Present(seen) = &fit.presence {
        for other in &seen.foreign {
            warnings.push(Warning::new(
                WarningCode::LineNearHarmonic,
                format!(
                    "a line at {:.4} Hz stands near order {}{}",
                    other.line.hz,
                    other.order,
                    if other.proved {
                        " and does not follow the mains: it is listed as a tone, the order's interval reaches to its height"
                    } else {
                        "'s place and is far stronger than the other orders: it may be a signal of its own; the intervals \
                         cover either reading"
                    }
                ),
            ));
        }
    }
}

/// Bounds that a line near an order leaves: from nothing to its height.
fn cover_foreign(fit: &StreamFit, harmonics: &mut [Harmonic], hum: &mut Estimate) {
    let Presence::Present(seen) = &fit.presence else {
        return;
    };
    for other in &seen.foreign {
        let Some(own) = harmonics.get_mut(other.order - 1) else {
            continue;
        };
        let apart =
            (other.line.hz - other.order as f64 * seen.fundamental_hz).abs() * seen.duration_s;
        let height = own
            .rms
            .high
            .max(FOREIGN_ROOM * other.line.rms * hann_skirt(apart));
        if let Some(line) = other.own.filter(|_| other.proved) {
            // Seen apart from the other in the record's own spectrum, to its noise and the other's skirt.
            let half = 2.0 * line.rms / line.strength.sqrt()
                + FOREIGN_ROOM * other.line.rms * hann_skirt(apart);
            let (low, high) = ((line.rms - half).max(0.0), line.rms + half);
            let power = 0.25 * half * half;
            own.rms = Estimate::new(line.rms, (low, high), 0.5 * half, 10.0, own.rms.confidence);
            own.power = LinePower::new(line.rms * line.rms, power, 2.0, 10.0);
            own.detected = low > 0.0;
            hum.low = hum.low.hypot(low);
            hum.value = hum.value.hypot(line.rms);
            hum.high = hum.high.hypot(high);
            continue;
        }
        let without = (hum.low * hum.low - own.rms.high * own.rms.high)
            .max(0.0)
            .sqrt();
        own.rms.low = 0.0;
        own.rms.high = height;
        own.detected = false;
        own.phase_deg = None;
        if other.proved {
            hum.high = hum.high.hypot(height);
        } else {
            hum.low = hum.low.min(without);
        }
    }
}

/// An order that moves by itself: its interval holds what of it is steady as well, the line that the whole record shows.
fn cover_steady(fit: &StreamFit, harmonics: &mut [Harmonic], hum: &mut Estimate) {
    let Presence::Present(seen) = &fit.presence else {
        return;
    };
    for (order, line) in &seen.shown {
        let moved = fit.settings.moved.get(order - 1).is_some_and(|m| *m > 1.0);
        let Some(own) = harmonics.get_mut(order - 1) else {
            continue;
        };
        if !(moved || fit.combined.harmonics[order - 1].unsteady) || seen.drifts {
            continue;
        }
        let steady = line.rms * (1.0 - 2.0 / line.strength.sqrt()).max(0.0);
        if steady < own.rms.low {
            let less = own.rms.value.powi(2) - steady * steady;
            hum.low = hum.low.min((hum.value.powi(2) - less).max(0.0).sqrt());
            own.rms.low = steady;
        }
    }
}

/// Room over a line's height as its spectrum shows it.
const FOREIGN_ROOM: f64 = 1.1;

/// Height of a Hann-weighted line's skirt so many cells of 1/T away (twice the asymptote is granted), at most its own.
fn hann_skirt(cells: f64) -> f64 {
    if cells < 1.5 {
        return 1.0;
    }
    (2.0 / (std::f64::consts::PI * cells * (cells * cells - 1.0))).min(1.0)
}

fn quality_warnings(
    facts: &ChannelFacts<'_>,
    noise: &Noise,
    options: &MeasureOptions,
    warnings: &mut Vec<Warning>,
) {
    if facts.clipped > 0 {
        warnings.push(Warning::new(
            WarningCode::Clipped,
            format!(
                "{} samples ({}) are at a limit of the range: all that is known of them is that the input lay beyond; \
                 choose a wider range and capture again",
                facts.clipped,
                percent(facts.clipped as f64 / facts.frames.max(1) as f64)
            ),
        ));
    }
    if facts.missing > 0
        && !warnings
            .iter()
            .any(|w| w.code == WarningCode::MissingSamples)
    {
        warnings.push(Warning::new(
            WarningCode::MissingSamples,
            format!(
                "{} samples are missing and were left out of the fit",
                facts.missing
            ),
        ));
    }
    if facts.header.acquisition.coupling == Some(Coupling::Ac) {
        let what = match facts.ac_corner_hz(options) {
            Some(corner) => format!("AC coupled: the offset is not in the capture; hum was corrected for the stated corner of {corner} Hz"),
            None => "AC coupled: the offset is not in the capture, and the fundamental is lowered by the coupling's corner; \
                     capture again DC coupled, or state the corner"
                .to_owned(),
        };
        warnings.push(Warning::new(WarningCode::AcCoupled, what));
    }
    if let Some(step) = facts.step {
        let wideband = facts
            .waveform
            .ac_rms
            .min(noise.density_v_per_rthz.value * (0.5 * facts.rate_hz()).sqrt());
        if wideband < 0.5 * step {
            warnings.push(Warning::new(
                WarningCode::CoarseQuantization,
                format!(
                    "the noise is below half the converter's step of {:.4e} {}: its figure is a bound, not a reading; \
                     use a finer range",
                    facts.told(step),
                    facts.header.channels[facts.index].unit
                ),
            ));
        }
    }
}

/// The noise's deviation, the rounding's own taken off a residual.
fn unrounded(step: f64, residual_rms: f64) -> f64 {
    (residual_rms * residual_rms - step * step / 12.0)
        .max(0.0)
        .sqrt()
}

/// Largest peak of a line that rounding can have made of the hum; 0 where the noise is above half a step, and where rounding
/// is noise.
fn rounded_line(facts: &ChannelFacts<'_>, fit: &StreamFit) -> f64 {
    let Some(step) = facts
        .step
        .filter(|_| is_coarse(facts.step, fit.residual_rms))
    else {
        return 0.0;
    };
    let strongest = fit
        .combined
        .harmonics
        .iter()
        .map(|h| h.amplitude.norm())
        .chain(
            fit.tones
                .iter()
                .filter_map(|t| Some(t.combined.harmonics.first()?.amplitude.norm())),
        )
        .fold(0.0, f64::max);
    rounding_line(step, unrounded(step, fit.residual_rms), strongest)
}

/// Tones that rounding can have made, up to an RMS of `rounding`, are rounding noise.
fn return_to_noise(noise: &mut Noise, tones: &mut Vec<Tone>, rounding: f64) {
    let band = noise.band_hz;
    let within = |t: &Tone| t.frequency_hz.value >= band.0 && t.frequency_hz.value <= band.1;
    let power: f64 = tones
        .iter()
        .filter(|t| t.rms.value <= rounding && within(t))
        .map(|t| t.rms.value.powi(2))
        .sum();
    tones.retain(|t| t.rms.value > rounding);
    let per_root = 1.0 / (band.1 - band.0).max(f64::MIN_POSITIVE).sqrt();
    for (figure, scale) in [
        (&mut noise.rms, 1.0),
        (&mut noise.density_v_per_rthz, per_root),
    ] {
        let own = power.sqrt() * scale;
        figure.value = figure.value.hypot(own);
        figure.low = figure.low.hypot(own);
        figure.high = figure.high.hypot(own);
    }
}

/// Widens what was fitted by least squares by the lines that rounding can have made.
fn widen(estimate: &mut Estimate, by: f64) {
    estimate.low = (estimate.low - by).max(0.0);
    estimate.high += by;
    estimate.standard_uncertainty = estimate.standard_uncertainty.hypot(by / 3f64.sqrt());
}

/// Noise under half a step is bounded, not read: from nothing to what was seen and a step's own rounding noise.
fn bound_by_step(measurement: &mut Measurement) {
    let coarse = measurement
        .quality
        .warnings
        .iter()
        .any(|w| w.code == WarningCode::CoarseQuantization);
    let Some(step) = measurement.quality.lsb.filter(|_| coarse) else {
        return;
    };
    let rounding = step / 12f64.sqrt();
    let width = (measurement.noise.band_hz.1 - measurement.noise.band_hz.0).max(f64::MIN_POSITIVE);
    let noise = &mut measurement.noise;
    noise.rms.low = 0.0;
    noise.rms.high = noise.rms.high.hypot(rounding);
    noise.density_v_per_rthz.low = 0.0;
    noise.density_v_per_rthz.high = noise.rms.high / width.sqrt();
}

fn track(facts: &ChannelFacts<'_>, stream: &Stream, fit: &StreamFit) -> Option<Track> {
    (fit.segments.len() > 1).then(|| {
        Track::new(
            fit.segments
                .iter()
                .zip(&fit.combined.segment_frequencies_hz)
                .map(|(segment, &frequency_hz)| TrackPoint {
                    time_s: segment.centre / stream.rate_hz + facts.first_at_s,
                    frequency_hz,
                    hum_rms: segment.fit.power().sqrt(),
                    dc_offset: facts.mean + segment.fit.offset,
                })
                .collect(),
        )
    })
}

/// The groups at the input.
fn grouped(
    facts: &ChannelFacts<'_>,
    fit: &StreamFit,
    options: &MeasureOptions,
) -> Option<HarmonicGroups> {
    let mut groups = fit.groups.clone()?;
    for group in &mut groups.orders {
        group.divide(coupled_gain(
            facts,
            options,
            group.order as f64 * fit.combined.frequency_hz,
        ));
    }
    Some(groups)
}

/// Mean cycle of the fitted harmonics that were resolved, for evidence on its shape.
fn fit_cycle(fit: &StreamFit, facts: &ChannelFacts<'_>) -> Option<Vec<f64>> {
    let harmonics: Vec<_> = fit
        .combined
        .harmonics
        .iter()
        .enumerate()
        .map(|(i, h)| {
            let resolved = h.amplitude.norm_sqr() > 12.0 * h.variance;
            let gain = facts.gain((i + 1) as f64 * fit.combined.frequency_hz);
            if resolved {
                h.amplitude / gain
            } else {
                Default::default()
            }
        })
        .collect();
    if harmonics.is_empty() {
        return None;
    }
    Some(crate::analysis::series::cycle(&harmonics, 400))
}
