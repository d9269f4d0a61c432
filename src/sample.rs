//! Invented results that tests share.

use crate::WarningCode;
use crate::analysis::{
    Evidence, EvidenceKind, Harmonic, LinePower, Mains, Measurement, Noise, Quality, Tone, Waveform,
};
use crate::capture::Acquisition;
use crate::comparison::{CaptureCounts, ComparedQuantity, Comparison, DecibelRatio, Verdict};
use crate::quantity::Quantity;
use crate::stats::Estimate;

pub fn estimate(value: f64, low: f64, high: f64) -> Estimate {
    Estimate::new(value, (low, high), (high - low) / 3.92, 60.0, 0.95)
}

pub fn measurement() -> Measurement {
    let harmonic = |order, value, low: f64, high| Harmonic {
        order,
        rms: estimate(value, low, high),
        phase_deg: (low > 0.0).then(|| estimate(-12.34, -12.5, -12.2)),
        detected: low > 0.0,
        power: LinePower::default(),
    };
    Measurement {
        file: "bench/looped_1.csv".into(),
        channel: "Amplifier output".into(),
        unit: "V".into(),
        sample_rate_hz: 1e4,
        samples: 8000,
        duration_s: 0.8,
        start_s: None,
        confidence: 0.95,
        dc_offset: estimate(11.6e-3, 11.597e-3, 11.603e-3),
        mains: Mains {
            nominal_hz: 50.0,
            detected: true,
            frequency_hz: Some(estimate(50.0213, 50.0201, 50.0225)),
            hum_rms: Some(estimate(3.1035e-3, 3.1022e-3, 3.1048e-3)),
            thd_percent: Some(29.1),
            harmonics: vec![
                harmonic(1, 2.97e-3, 2.9688e-3, 2.9712e-3),
                harmonic(2, 1.06e-4, 1.048e-4, 1.072e-4),
                harmonic(3, 0.0, 0.0, 1.9e-6),
            ],
            power: LinePower::default(),
        },
        noise: Noise {
            band_hz: (2.5, 5000.0),
            rms: estimate(3.964e-5, 3.91e-5, 4.02e-5),
            density_v_per_rthz: estimate(5.606e-7, 5.53e-7, 5.69e-7),
            corner_hz: None,
            third_octaves: Vec::new(),
        },
        tones: vec![Tone {
            frequency_hz: estimate(3270.0, 3269.99, 3270.01),
            rms: estimate(9.19e-5, 9.07e-5, 9.31e-5),
            relation: None,
            power: LinePower::default(),
        }],
        waveform: Waveform {
            rms: 0.012,
            ac_rms: 3.1e-3,
            peak_to_peak: 13e-3,
            crest_factor: 2.1,
            min: 4.5e-3,
            max: 17.5e-3,
        },
        quality: Quality {
            clipped_samples: 0,
            missing_samples: 0,
            lsb: Some(25e-6),
            warnings: vec![WarningCode::BandReduced.warning(
                "the record resolves 2.5 Hz and up; record longer for a band from 0.1 Hz",
            )],
        },
        evidence: vec![
            Evidence::new(
                EvidenceKind::PhaseCut,
                "possibly phase-cut loads: 18 odd orders are in step to 95 %",
                [("orders_in_step", 18.0), ("in_step", 0.95)],
                "switch dimmers nearby off one by one and capture again",
            )
            .or(["motor drives"]),
        ],
        harmonic_groups: None,
        other_mains: None,
        acquisition: Acquisition::default(),
        spectrum: None,
        folded: None,
        track: None,
    }
}

pub fn comparison() -> Comparison {
    let quantity = |name, looped, isolated, improvement, reduction, verdict| ComparedQuantity {
        baseline: Some(estimate(1.5e-6, 0.0, 2.4e-6)),
        looped,
        isolated,
        loop_excess: looped,
        residual_excess: isolated,
        improvement_db: improvement,
        excess_reduction_db: reduction,
        verdict,
        ..ComparedQuantity::new(name, "V")
    };
    let ratio = |value, low, high| Some(DecibelRatio { value, low, high });
    let counts = CaptureCounts::by(|_| 3);
    let quantities = vec![
        quantity(
            Quantity::HumRms,
            Some(estimate(3.1035e-3, 3.1022e-3, 3.1048e-3)),
            Some(estimate(11e-6, 9.8e-6, 12.2e-6)),
            ratio(49.0, 48.1, Some(50.0)),
            ratio(49.1, 48.1, Some(50.2)),
            Verdict::Improved,
        ),
        quantity(
            Quantity::Harmonic(1),
            Some(estimate(2.97e-3, 2.9688e-3, 2.9712e-3)),
            Some(estimate(1.6e-6, 0.0, 2.6e-6)),
            ratio(61.2, 61.2, None),
            ratio(60.5, 60.5, None),
            Verdict::AtFloor,
        ),
        quantity(
            Quantity::Harmonic(2),
            Some(estimate(0.0, 0.0, 1.9e-6)),
            Some(estimate(0.0, 0.0, 1.9e-6)),
            None,
            None,
            Verdict::Unresolved,
        ),
        quantity(
            Quantity::NoiseRms,
            Some(estimate(3.964e-5, 3.91e-5, 4.02e-5)),
            Some(estimate(4.364e-5, 4.31e-5, 4.42e-5)),
            ratio(-0.83, -1.0, Some(-0.6)),
            None,
            Verdict::Worse,
        ),
    ];
    Comparison {
        warnings: vec![
            WarningCode::RateMismatch
                .warning("looped at 10 kHz, isolated at 48 kHz; compared to 5 kHz"),
        ],
        notes: vec!["Several captures of each condition.".into()],
        evidence: vec![
            Evidence::new(
                EvidenceKind::CapacitiveBarrier,
                "what comes through the remedy rises by 5.9 dB per doubling of order",
                [("slope_db_per_doubling", 5.9)],
                "an isolator with less capacitance",
            )
            .or(["a field on the leads"]),
        ],
        ..Comparison::new(0.95, 50.0, (2.5, 5000.0), counts, quantities)
    }
}
