//! The statistical limit: scatter over the Cramér-Rao bound, bias, coverage and false detections in a few scenarios;
//! the table of many is `cargo bench --bench intervals`.

use crate::synthesis::outcome::run;
use crate::synthesis::{Colour, Scenario};

/// A fixed subset, small enough for every run. 400 trials: a coverage of 95 % scatters by 1.1 %, so the
/// limits here (91.5-98.5 %) are passed by a true 95 % in all but one in 1000 figures; the scatter over the
/// bound scatters by 3.5 %.
#[test]
fn subset_reaches_the_bounds() {
    for (name, scenario) in [
        ("20 cycles", Scenario::new(49.7, 20.0, Colour::White)),
        ("50 cycles", Scenario::new(60.1, 50.0, Colour::White)),
    ] {
        let o = run(&scenario, 400, 3);
        for (figure, tally) in ["offset", "frequency", "hum", "harmonic 1", "noise"]
            .iter()
            .zip(&o.figures)
        {
            assert!(
                (0.915..=0.985).contains(&tally.coverage()),
                "{name}: {figure}: coverage {}",
                tally.coverage()
            );
        }
        let over = [
            o.figures[0].rmse() / scenario.offset_bound(),
            o.figures[1].rmse() / scenario.frequency_bound(),
            o.figures[3].rmse() / scenario.rms_bound(1),
        ];
        for ratio in over {
            assert!(
                ratio < 1.05 + 3.0 * 0.035,
                "{name}: {over:?} times the bound"
            );
        }
        assert_eq!(o.wrong_nominal, 0.0, "{name}");
    }
}

/// 800 records without mains: at 1 % false alarms more than 20 detections come once in 5000 runs.
#[test]
fn false_alarms_stay_at_their_rate() {
    let scenario = Scenario {
        harmonics: vec![(0.0, 0.0)],
        ..Scenario::new(50.0, 10.0, Colour::White)
    };
    let o = run(&scenario, 800, 5);
    assert!(o.detected <= 20.0, "{} of 800", o.detected);
}

/// Where intervals are hard to get right, 300 trials each: a true 95 % (scatter 1.26 %) falls outside 90-99.5 %
/// once in 5000 figures; a bias of 0.25 of the scatter is 4.3 of its standard errors; a width of 1.4 times what the scatter
/// asks is four standard errors of that (4 %) over a quarter.
#[test]
fn hard_cases_hold() {
    let base = |cycles: f64| Scenario::new(50.03, cycles, Colour::White);
    // 5 % clipped, no full scale stated.
    let clipped = run(
        &Scenario {
            limit: 0.1421,
            ..base(10.0)
        },
        300,
        31,
    );
    for (figure, tally) in ["offset", "frequency", "hum", "harmonic 1", "noise"]
        .iter()
        .zip(&clipped.figures)
    {
        let (held, bias) = (tally.coverage(), tally.bias_over_scatter());
        let width = tally.width_over_scatter();
        assert!(width < 1.4, "clipped: {figure}: {width}");
        assert!((0.90..=0.995).contains(&held), "clipped: {figure}: {held}");
        assert!(bias.abs() < 0.25, "clipped: {figure}: {bias}");
    }
    // The noise below 1/T is not seen: never below 90 %, and no wider than a continued 1/f.
    let slow = run(
        &Scenario::new(50.03, 25.0, Colour::Pink { corner_hz: 100.0 }),
        300,
        32,
    );
    let offset = &slow.figures[0];
    assert!(offset.coverage() >= 0.90, "1/f: {}", offset.coverage());
    assert!(
        offset.scatter_over_claim() > 0.4,
        "1/f: {}",
        offset.scatter_over_claim()
    );
    let noise = slow.figures[4].coverage();
    assert!((0.90..=0.995).contains(&noise), "1/f: {noise}");
    // 50 against 60 Hz one cell apart, 14 dB: never mistaken, not taken for a tone outside.
    let amplitude = 2e-3 * 10f64.powf(0.7) * (4.0 / 1000.0f64).sqrt();
    let weak = run(
        &Scenario {
            harmonics: vec![(amplitude, 0.4)],
            ..base(5.0)
        },
        300,
        33,
    );
    assert_eq!(weak.wrong_nominal, 0.0);
    assert!(weak.detected >= 0.95 * 300.0, "{}", weak.detected);
    // Below one cycle the offset's interval holds what harmonics may hide, of which these records have few: its width is not
    // that of their scatter.
    let short = run(&base(0.7), 300, 34);
    let offset = &short.figures[0];
    let held = offset.coverage();
    assert!(held > 0.9, "short: {held}");
    // The mean frequency of a wandering grid.
    let wander = run(
        &Scenario {
            rate_hz: 2000.0,
            samples: 20_000,
            wander_hz: 0.01,
            ..base(1.0)
        },
        300,
        35,
    );
    let frequency = wander.figures[1].coverage();
    let width = wander.figures[1].width_over_scatter();
    assert!((0.90..=0.985).contains(&frequency), "wander: {frequency}");
    assert!(width < 1.4, "wander: {width}");
}
