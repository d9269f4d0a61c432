//! Scenarios of the table: length, rate, colour, what else is in the record.

use crate::synthesis::{Colour, Scenario};

pub struct Case {
    pub name: &'static str,
    pub scenario: Scenario,
    /// Fewer trials for long records.
    pub cost: u64,
}

pub fn cases() -> Vec<Case> {
    let base = |cycles: f64| Scenario::new(50.03, cycles, Colour::White);
    let mut cases = Vec::new();
    let mut add = |name, scenario: Scenario, cost| {
        cases.push(Case {
            name,
            scenario,
            cost,
        });
    };
    add("0.7 cycles", base(0.7), 1);
    add("1.2 cycles", base(1.2), 1);
    add("1.7 cycles", base(1.7), 1);
    add("2.3 cycles", base(2.3), 1);
    add("3.5 cycles", base(3.5), 1);
    add(
        "5 cycles, 59.9 Hz",
        Scenario::new(59.9, 5.0, Colour::White),
        1,
    );
    add(
        "10 cycles, 60.2 Hz",
        Scenario::new(60.2, 10.0, Colour::White),
        1,
    );
    add(
        "20 cycles, 49.7 Hz",
        Scenario::new(49.7, 20.0, Colour::White),
        1,
    );
    add("50 cycles", base(50.0), 2);
    add("90 cycles", base(90.0), 2);
    add("3 s", base(150.0), 4);
    add("10 s", base(500.0), 10);
    add(
        "30 s, 2 kS/s",
        Scenario {
            rate_hz: 2000.0,
            samples: 60_000,
            ..base(1.0)
        },
        10,
    );
    add(
        "100 S/s-class: 250 S/s, 4 s",
        Scenario {
            rate_hz: 250.0,
            samples: 1000,
            harmonics: vec![(0.02, 0.4), (0.002, 1.0)],
            ..base(1.0)
        },
        1,
    );
    add(
        "1 MS/s, 0.1 s",
        Scenario {
            rate_hz: 1e6,
            samples: 100_000,
            ..base(1.0)
        },
        10,
    );
    add(
        "1 MS/s, 0.5 s (decimated)",
        Scenario {
            rate_hz: 1e6,
            samples: 500_000,
            ..base(1.0)
        },
        40,
    );
    add(
        "48 kS/s, 8 s (decimated)",
        Scenario {
            rate_hz: 48e3,
            samples: 384_000,
            ..base(1.0)
        },
        40,
    );
    for (name, cycles) in [
        ("one-pole noise, 5 cycles", 5.0),
        ("one-pole noise, 50 cycles", 50.0),
        ("one-pole noise, 10 s", 500.0),
    ] {
        add(
            name,
            Scenario::new(50.03, cycles, Colour::OnePole { corner_hz: 400.0 }),
            if cycles > 100.0 { 10 } else { 1 },
        );
    }
    for (name, cycles) in [
        ("1/f noise, 5 cycles", 5.0),
        ("1/f noise, 50 cycles", 50.0),
        ("1/f noise, 10 s", 500.0),
    ] {
        add(
            name,
            Scenario::new(50.03, cycles, Colour::Pink { corner_hz: 100.0 }),
            if cycles > 100.0 { 10 } else { 1 },
        );
    }
    let weak = |cycles: f64, amplitude: f64| Scenario {
        harmonics: vec![(amplitude, 0.4)],
        ..base(cycles)
    };
    add(
        "weak fundamental (14 dB), 5 cycles",
        weak(5.0, 2e-3 * 10f64.powf(0.7) * (4.0 / 1000.0f64).sqrt()),
        1,
    );
    add(
        "weak fundamental (18 dB), 50 cycles",
        weak(50.0, 2e-3 * 10f64.powf(0.9) * (4.0 / 10_000.0f64).sqrt()),
        2,
    );
    add(
        "weak fundamental (20 dB), 10 s",
        weak(500.0, 2e-3 * 10.0 * (4.0 / 100_000.0f64).sqrt()),
        10,
    );
    let none = |cycles: f64, colour| Scenario {
        harmonics: vec![(0.0, 0.0)],
        ..Scenario::new(50.0, cycles, colour)
    };
    add("no hum, 5 cycles", none(5.0, Colour::White), 1);
    add("no hum, 50 cycles", none(50.0, Colour::White), 2);
    add("no hum, 10 s", none(500.0, Colour::White), 10);
    add(
        "no hum, 1/f noise, 50 cycles",
        none(50.0, Colour::Pink { corner_hz: 100.0 }),
        2,
    );
    for (name, tone) in [
        ("tone at 97.3 Hz, no hum", 97.3),
        ("tone at 48 Hz, no hum", 48.0),
        ("tone at 61.5 Hz, no hum", 61.5),
        ("tone at 1013 Hz, no hum", 1013.0),
    ] {
        add(
            name,
            Scenario {
                tones: vec![(tone, 0.02)],
                ..none(100.0, Colour::White)
            },
            2,
        );
    }
    let rectifier = Scenario {
        harmonics: vec![
            (0.0, 0.0),
            (0.02, 0.3),
            (0.0, 0.0),
            (0.004, 1.0),
            (0.0, 0.0),
            (0.002, -1.0),
        ],
        ..base(50.0)
    };
    add("rectifier: even orders only", rectifier, 2);
    add(
        "switching lines and sidebands",
        Scenario {
            tones: vec![(3210.0, 0.01), (3110.0, 0.002), (3310.0, 0.002)],
            ..base(50.0)
        },
        2,
    );
    add(
        "offset a million times the noise",
        Scenario {
            offset: 2000.0,
            ..base(50.0)
        },
        2,
    );
    add(
        "microvolt values",
        {
            let s = base(50.0);
            Scenario {
                offset: s.offset * 1e-6,
                noise: s.noise * 1e-6,
                harmonics: s.harmonics.iter().map(|h| (h.0 * 1e-6, h.1)).collect(),
                ..s
            }
        },
        2,
    );
    add(
        "step = noise",
        Scenario {
            step: 2e-3,
            ..base(50.0)
        },
        2,
    );
    add(
        "3 % clipped",
        Scenario {
            limit: 0.1421,
            ..base(50.0)
        },
        8,
    );
    add(
        "wander 10 mHz, 10 s",
        Scenario {
            wander_hz: 0.01,
            ..base(500.0)
        },
        10,
    );
    add(
        "wander 10 mHz, 60 s, 2 kS/s",
        Scenario {
            rate_hz: 2000.0,
            samples: 120_000,
            wander_hz: 0.01,
            ..base(1.0)
        },
        20,
    );
    add(
        "5 % modulation, 10 s",
        Scenario {
            modulation: 0.05,
            ..base(500.0)
        },
        10,
    );
    for (name, beside, cycles, share) in [
        ("line 5 Hz above strong hum, 10 s", 5.0, 500.0, 5),
        ("line 3.3 Hz below strong hum, 2 s", -3.3, 100.0, 2),
        ("line 1.1 Hz above strong hum, 10 s", 1.1, 500.0, 5),
        ("line 1.5 Hz below strong hum, 60 s", -1.5, 3000.0, 20),
    ] {
        let s = base(cycles);
        add(
            name,
            Scenario {
                harmonics: vec![(0.5, 0.4), (0.0, 0.0), (0.1, 1.0)],
                tones: vec![(s.fundamental_hz + beside, 0.05)],
                ..s
            },
            share,
        );
    }
    cases
}
