//! Real recordings against values computed without this library (`reference_values.json` beside them).
//!
//! Fair limits are those of the recordings' README: for a frequency the largest of 4σ_f, the distance of two
//! reference fits and 1 mHz for records of 20 s and more; for an RMS the larger of 4·1.39σ and the distance of the two
//! fits. A figure is flagged where its interval widened by the limit does not hold the reference.

use humsieve::load::{LoadOptions, open};
use humsieve::{Estimate, MeasureOptions, Measurement, measure};
use serde_json::Value;
use std::path::Path;

pub fn compare(folder: &Path) {
    let text = std::fs::read_to_string(folder.join("reference_values.json")).unwrap();
    let value: Value = serde_json::from_str(&text).unwrap();
    let mut flags = 0;
    for record in value["records"].as_array().unwrap() {
        let channel = record["channel"].as_str().unwrap();
        let options = LoadOptions {
            sample_rate_hz: Some(number(record, "sample_rate_hz")),
            ..LoadOptions::default()
        };
        let file = record["file"].as_str().unwrap();
        let mut source = open(&folder.join(file), &options).unwrap().remove(0);
        let options = MeasureOptions {
            channels: vec![channel.to_owned()],
            ..MeasureOptions::default()
        };
        println!("\n{file}, channel {channel}");
        match measure(source.as_mut(), &options) {
            Ok(mut measured) => flags += tell(record, &measured.remove(0)),
            Err(error) => println!("  refused: {error}"),
        }
    }
    println!("\n{flags} figures outside interval and fair limit");
}

fn number(value: &Value, key: &str) -> f64 {
    value[key].as_f64().unwrap()
}

/// Prints a channel's figures; how many are outside.
fn tell(record: &Value, m: &Measurement) -> usize {
    // Voltages are loaded in volts, whatever the column's prefix.
    let millivolts = record["channel"].as_str().unwrap().ends_with("_mV");
    let scale = if millivolts { 1e-3 } else { 1.0 };
    let nominal = number(record, "nominal_hz");
    let wrong = nominal != m.mains.nominal_hz;
    println!(
        "  detected {}, nominal {}{}",
        m.mains.detected,
        m.mains.nominal_hz,
        if wrong { "  OUTSIDE" } else { "" }
    );
    let mut flags = usize::from(wrong) + usize::from(!m.mains.detected);
    let joint = number(record, "f_joint_hz");
    let mut limit =
        (4.0 * number(record, "sigma_f_hz")).max((number(record, "f_hann_hz") - joint).abs());
    if number(record, "duration_s") >= 20.0 {
        limit = limit.max(1e-3);
    }
    flags += line("frequency", m.mains.frequency_hz, joint, limit);
    let (hann, least) = (
        number(record, "hum_rms_hann"),
        number(record, "hum_rms_lsq"),
    );
    let orders = record["harmonics"].as_array().unwrap();
    let squares: f64 = orders.iter().map(|h| number(h, "sigma_rms").powi(2)).sum();
    let limit = (hann - least).abs().max(4.0 * 1.39 * squares.sqrt());
    flags += line("hum", m.mains.hum_rms, scale * hann, scale * limit);
    for reference in orders.iter().filter(|h| h["visible"] == true) {
        let order = reference["order"].as_u64().unwrap() as usize;
        let (hann, least) = (number(reference, "rms_hann"), number(reference, "rms_lsq"));
        let limit = (hann - least)
            .abs()
            .max(4.0 * 1.39 * number(reference, "sigma_rms"));
        let ours = m.mains.harmonics.iter().find(|h| h.order == order);
        let name = format!("order {order}");
        flags += line(&name, ours.map(|h| h.rms), scale * hann, scale * limit);
    }
    flags += line(
        "offset",
        Some(m.dc_offset),
        scale * number(record, "mean"),
        0.0,
    );
    let deviation = scale * number(record, "std");
    let half = (m.dc_offset.high - m.dc_offset.low) / 2.0;
    println!(
        "  offset half-width over the record's deviation {:.3}",
        half / deviation
    );
    let e = m.noise.rms;
    println!(
        "  noise {:.4e} ({:.4e} to {:.4e}) in {:.3} to {:.1} Hz",
        e.value, e.low, e.high, m.noise.band_hz.0, m.noise.band_hz.1
    );
    for tone in m.tones.iter().take(5) {
        let relation = tone.relation.as_deref().unwrap_or("");
        println!(
            "  tone {:.4} Hz, {:.4e} {relation}",
            tone.frequency_hz.value, tone.rms.value
        );
    }
    println!("  tones {}", m.tones.len());
    for warning in &m.quality.warnings {
        println!("  warning {warning}");
    }
    flags
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
