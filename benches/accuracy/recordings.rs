//! Real recordings against values computed without this library (`reference_values.json` beside them).
//!
//! Fair limits are those of the recordings' README: for a frequency the larger of 4σ_f and the distance of two
//! reference fits; for an RMS the larger of 4·1.39σ and the distance of the two fits, the latter not where that README
//! says the unweighted fit is spoilt. In records of 20 s and more the mains moves, and a fit of steady lines loses
//! amplitude: there the reference is the record's own demodulated phase and amplitude, 1 mHz and four standard
//! deviations the limit. A figure is flagged where its interval widened by the limit does not hold the reference.

use crate::demodulated::Demodulated;
use humsieve::capture::MemorySource;
use humsieve::load::{LoadOptions, open};
use humsieve::{Capture, Estimate, MeasureOptions, Measurement, measure};
use serde_json::Value;
use std::path::Path;

/// Length from which the mains is seen to move, s.
const MOVING_S: f64 = 20.0;
/// Beginnings of the files whose unweighted fit drift or a strong signal spoils.
const SPOILT: [&str; 3] = ["strain_", "geophone_offset", "guitar_"];

/// File and frequency.
type Heard<'a> = (&'a str, Option<Estimate>);

pub fn compare(folder: &Path) {
    let text = std::fs::read_to_string(folder.join("reference_values.json")).unwrap();
    let value: Value = serde_json::from_str(&text).unwrap();
    let (mut flags, mut before) = (0, None);
    for record in value["records"].as_array().unwrap() {
        let file = record["file"].as_str().unwrap();
        let channel = record["channel"].as_str().unwrap();
        let options = LoadOptions::default().sample_rate_hz(number(record, "sample_rate_hz"));
        let mut source = open(folder.join(file), &options).unwrap().remove(0);
        let capture = Capture::collect(source.as_mut()).unwrap();
        let options = MeasureOptions::default().channels([channel.to_owned()]);
        println!("\n{file}, channel {channel}");
        match measure(&mut MemorySource::new(&capture), &options) {
            Ok(mut measured) => {
                let channels = &capture.header().channels;
                let index = channels.iter().position(|c| c.name == measured[0].channel);
                let samples = capture.channel(index.unwrap()).unwrap().to_vec();
                let measured = measured.remove(0);
                flags += Recording { record, samples }.told(&measured);
                let frequency = measured.mains.frequency_hz;
                flags += agreement(before, (file, frequency));
                before = Some((file, frequency));
            }
            Err(error) => println!("  refused: {error}"),
        }
    }
    println!("\n{flags} figures outside interval and fair limit");
}

/// Channels of one recording hear one mains: 1 where their intervals stand apart.
fn agreement(before: Option<Heard>, (file, now): Heard) -> usize {
    match (before, now) {
        (Some((other, Some(one))), Some(now)) if other == file => {
            let apart = one.high < now.low || now.high < one.low;
            if apart {
                println!("  frequency contradicts that of the channel before  OUTSIDE");
            }
            usize::from(apart)
        }
        _ => 0,
    }
}

fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap()
}

struct Recording<'a> {
    record: &'a Value,
    samples: Vec<f64>,
}

impl Recording<'_> {
    fn number(&self, key: &str) -> f64 {
        number(self.record, key)
    }

    fn moving(&self) -> bool {
        self.number("duration_s") >= MOVING_S
    }

    /// Voltages are loaded in volts, whatever the column's prefix.
    fn scale(&self) -> f64 {
        let millivolts = self.record["channel"].as_str().unwrap().ends_with("_mV");
        if millivolts { 1e-3 } else { 1.0 }
    }

    fn order(&self, order: usize) -> Option<Demodulated> {
        let hz = order as f64 * self.number("f_joint_hz");
        Demodulated::new(&self.samples, self.number("sample_rate_hz"), hz)
    }

    /// The distance of the two reference fits, as far as both mean something.
    fn apart(&self, hann: f64, least: f64) -> f64 {
        let file = self.record["file"].as_str().unwrap();
        if SPOILT.iter().any(|start| file.starts_with(start)) {
            0.0
        } else {
            (hann - least).abs()
        }
    }

    /// Prints the channel's figures; how many are outside.
    fn told(&self, m: &Measurement) -> usize {
        let mut flags = usize::from(!m.mains.detected);
        let wrong = self.number("nominal_hz") != m.mains.nominal_hz;
        println!(
            "  detected {}, nominal {}{}",
            m.mains.detected,
            m.mains.nominal_hz,
            if wrong { "  OUTSIDE" } else { "" }
        );
        flags += usize::from(wrong) + self.frequency(m) + self.amplitudes(m);
        let mean = self.scale() * self.number("mean");
        flags += line("offset", Some(m.dc_offset), mean, 0.0);
        let half = (m.dc_offset.high - m.dc_offset.low) / 2.0;
        let deviation = self.scale() * self.number("std");
        println!(
            "  offset half-width over the record's deviation {:.3}",
            half / deviation
        );
        let (e, band) = (m.noise.rms, m.noise.band_hz);
        println!(
            "  noise {:.4e} ({:.4e} to {:.4e}) in {:.3} to {:.1} Hz",
            e.value, e.low, e.high, band.0, band.1
        );
        println!("  tones {}", m.tones.len());
        for tone in m.tones.iter().take(5) {
            let relation = tone.relation.as_deref().unwrap_or("");
            let (hz, rms) = (tone.frequency_hz.value, tone.rms.value);
            println!("    {hz:.4} Hz, {rms:.4e} {relation}");
        }
        for warning in &m.quality.warnings {
            println!("  warning {warning}");
        }
        flags
    }

    fn frequency(&self, m: &Measurement) -> usize {
        let joint = self.number("f_joint_hz");
        let mut limit = 4.0 * self.number("sigma_f_hz");
        limit = limit.max((self.number("f_hann_hz") - joint).abs());
        let gained = self.order(1).and_then(|one| one.frequency());
        if let (true, Some((above, deviation))) = (self.moving(), gained) {
            println!("  frequency of the joint fit {joint:.7}");
            limit = 1e-3f64.max(4.0 * deviation);
            return line("frequency", m.mains.frequency_hz, joint + above, limit);
        }
        if let Some((above, deviation)) = gained {
            let hz = joint + above;
            println!("  frequency by the phase gained {hz:.6} ± {deviation:.6}");
        }
        line("frequency", m.mains.frequency_hz, joint, limit)
    }

    fn amplitudes(&self, m: &Measurement) -> usize {
        let scale = self.scale();
        let orders = self.record["harmonics"].as_array().unwrap();
        let (mut flags, mut power, mut scatter) = (0, 0.0, 0.0);
        let mut told = Vec::new();
        for reference in orders {
            let order = reference["order"].as_u64().unwrap() as usize;
            let (hann, least) = (number(reference, "rms_hann"), number(reference, "rms_lsq"));
            let sigma = 1.39 * number(reference, "sigma_rms");
            let mut expected = scale * hann;
            let mut limit = scale * self.apart(hann, least).max(4.0 * sigma);
            if let (true, Some(one)) = (self.moving(), self.order(order)) {
                let (rms, deviation) = one.rms();
                (expected, limit) = (rms, 4.0 * deviation);
            }
            power += expected * expected;
            scatter += (limit / 4.0).powi(2);
            if reference["visible"] == true {
                told.push((order, expected, limit));
            }
        }
        let mut hum = power.sqrt();
        let mut limit = 4.0 * scatter.sqrt();
        if !self.moving() {
            hum = scale * self.number("hum_rms_hann");
            let apart = self.apart(self.number("hum_rms_hann"), self.number("hum_rms_lsq"));
            limit = limit.max(scale * apart);
        }
        flags += line("hum", m.mains.hum_rms, hum, limit);
        for (order, expected, limit) in told {
            let own = m.mains.harmonics.iter().find(|h| h.order == order);
            let name = format!("order {order}");
            flags += line(&name, own.map(|h| h.rms), expected, limit);
        }
        flags
    }
}

fn line(name: &str, estimate: Option<Estimate>, reference: f64, limit: f64) -> usize {
    let Some(e) = estimate else {
        println!("  {name:10} not given, reference {reference:.6e}  OUTSIDE");
        return 1;
    };
    let outside = reference < e.low - limit || reference > e.high + limit;
    println!(
        "  {name:10} {:.7e} ({:.7e} to {:.7e}) reference {reference:.7e}, off {:+.2e}, limit {limit:.1e}{}",
        e.value,
        e.low,
        e.high,
        e.value - reference,
        if outside { "  OUTSIDE" } else { "" }
    );
    usize::from(outside)
}
