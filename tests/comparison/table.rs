//! What a comparison says beside its verdicts: choice of captures, mismatches, limits, repeats, outlook.

use crate::draws::{Draws, Truth};
use approx::{assert_abs_diff_eq, assert_relative_eq};
use humsieve::capture::Coupling;
use humsieve::comparison::{
    Acceptance, Bounded, CommonGround, CompareOptions, Comparison, InstrumentLimits, Limit,
    Verdict, WantedSignal, compare,
};
use humsieve::{Condition, ErrorKind, MeasureOptions, Measurement, WarningCode};
use std::collections::BTreeMap;

type Captures = BTreeMap<Condition, Vec<Measurement>>;

fn bench(count: usize) -> Captures {
    let mut draws = Draws::seeded(21);
    let looped = Truth::new(0.5, &[1.0, 0.02, 0.4], 0.1);
    BTreeMap::from([
        (
            Condition::Baseline,
            Truth::new(0.0, &[0.0; 3], 0.1).captures(count, &mut draws),
        ),
        (Condition::Looped, looped.captures(count, &mut draws)),
        (
            Condition::Isolated,
            looped.reduced(20.0).captures(count, &mut draws),
        ),
    ])
}

fn with(options: &CompareOptions, captures: &Captures) -> Comparison {
    compare(captures, options).unwrap()
}

fn plain(captures: &Captures) -> Comparison {
    with(&CompareOptions::default(), captures)
}

#[test]
fn the_table_has_every_figure_and_serialises_without_loss() {
    let comparison = plain(&bench(1));
    let names: Vec<String> = comparison
        .quantities
        .iter()
        .map(|q| q.name.to_string())
        .collect();
    assert_eq!(
        names,
        [
            "dc_offset",
            "hum_rms",
            "harmonic_1_rms",
            "harmonic_2_rms",
            "harmonic_3_rms",
            "noise_rms",
            "ac_rms",
            "peak_to_peak"
        ]
    );
    let json = serde_json::to_value(&comparison).unwrap();
    let hum = &json["quantities"][1];
    assert_eq!(hum["verdict"], "improved");
    for key in [
        "baseline",
        "looped",
        "isolated",
        "loop_excess",
        "residual_excess",
    ] {
        assert!(hum[key]["low"].is_number(), "{key}");
    }
    assert!(hum["improvement_db"]["high"].is_number());
    assert_eq!(json["captures"]["looped"], 1);
    assert!(json["verdict_method"].as_str().unwrap().contains("Holm"));
    assert_eq!(
        comparison.quantity("noise_rms").unwrap().verdict,
        Verdict::Unresolved
    );
    assert_eq!(
        comparison.quantity("ac_rms").unwrap().verdict,
        Verdict::Improved
    );
    let extremes = comparison.quantity("peak_to_peak").unwrap().verdict;
    assert!(matches!(extremes, Verdict::Improved | Verdict::AtFloor));
}

#[test]
fn two_conditions_are_enough_and_one_is_not() {
    let mut captures = bench(1);
    captures.remove(&Condition::Isolated);
    let without_isolated = plain(&captures);
    let hum = without_isolated.quantity("hum_rms").unwrap();
    assert!(hum.isolated.is_none() && hum.residual_excess.is_none());
    assert!(hum.improvement_db.unwrap().low > 20.0);
    assert!(hum.excess_reduction_db.is_none());
    captures.remove(&Condition::Baseline);
    let error = compare(&captures, &CompareOptions::default()).unwrap_err();
    assert_eq!(error.kind(), ErrorKind::BadOption);

    let mut captures = bench(1);
    captures.remove(&Condition::Baseline);
    let without_baseline = plain(&captures);
    let hum = without_baseline.quantity("hum_rms").unwrap();
    assert!(hum.loop_excess.is_none() && hum.excess_reduction_db.is_none());
    assert_eq!(hum.verdict, Verdict::Improved);
}

#[test]
fn units_must_agree() {
    let mut captures = bench(1);
    captures.get_mut(&Condition::Looped).unwrap()[0].unit = "A".into();
    let error = compare(&captures, &CompareOptions::default()).unwrap_err();
    assert_eq!(error.kind(), ErrorKind::BadOption);
}

#[test]
fn each_figure_comes_from_captures_that_can_speak_of_it() {
    let mut captures = bench(2);
    let looped = captures.get_mut(&Condition::Looped).unwrap();
    looped[0].acquisition.coupling = Some(Coupling::Ac);
    looped[0].acquisition.full_scale_v = Some(5.0);
    looped[1].acquisition.full_scale_v = Some(50.0);
    let expected = (
        looped[1].dc_offset.value,
        looped[0].mains.hum_rms.unwrap().value,
    );
    let comparison = plain(&captures);
    let offset = comparison.quantity("dc_offset").unwrap().looped.unwrap();
    let hum = comparison.quantity("hum_rms").unwrap().looped.unwrap();
    assert_relative_eq!(offset.value, expected.0);
    assert_relative_eq!(hum.value, expected.1, max_relative = 1e-9);
    let reasons: Vec<&str> = comparison.left_out.iter().map(|l| l.why.as_str()).collect();
    assert!(
        reasons.iter().any(|r| r.contains("AC coupled")),
        "{reasons:?}"
    );
    assert!(
        reasons.iter().any(|r| r.contains("finer range")),
        "{reasons:?}"
    );

    let looped = captures.get_mut(&Condition::Looped).unwrap();
    looped[0].quality.clipped_samples = 7;
    let expected = looped[1].mains.hum_rms.unwrap().value;
    let hum = plain(&captures)
        .quantity("hum_rms")
        .unwrap()
        .looped
        .unwrap();
    assert_relative_eq!(hum.value, expected, max_relative = 1e-9);
}

#[test]
fn an_ac_coupled_condition_says_nothing_of_the_offset() {
    let mut captures = bench(1);
    captures.get_mut(&Condition::Isolated).unwrap()[0]
        .acquisition
        .coupling = Some(Coupling::Ac);
    let comparison = plain(&captures);
    let offset = comparison.quantity("dc_offset").unwrap();
    assert!(offset.isolated.is_none() && offset.improvement_db.is_none());
    assert_eq!(offset.verdict, Verdict::Unresolved);
    let codes: Vec<WarningCode> = comparison.warnings.iter().map(|w| w.code).collect();
    assert!(codes.contains(&WarningCode::AcCoupled));
    assert!(codes.contains(&WarningCode::CouplingMismatch));
}

#[test]
fn mismatches_name_the_figures_they_spoil() {
    type Change = fn(&mut Measurement);
    let cases: [(Change, WarningCode, &str); 4] = [
        (
            |m| m.acquisition.full_scale_v = Some(20.0),
            WarningCode::RangeMismatch,
            "dc_offset",
        ),
        (
            |m| m.acquisition.probe_factor = Some(10.0),
            WarningCode::RangeMismatch,
            "noise_rms",
        ),
        (
            |m| m.sample_rate_hz = 48e3,
            WarningCode::RateMismatch,
            "peak_to_peak",
        ),
        (
            |m| m.noise.band_hz = (1.0, 24e3),
            WarningCode::RateMismatch,
            "noise_rms is not comparable",
        ),
    ];
    assert!(plain(&bench(1)).warnings.is_empty());
    for (change, code, spoiled) in cases {
        let mut captures = bench(1);
        for m in captures.values_mut().flatten() {
            m.acquisition.full_scale_v = Some(2.0);
            m.acquisition.probe_factor = Some(1.0);
        }
        change(&mut captures.get_mut(&Condition::Looped).unwrap()[0]);
        let warnings = plain(&captures).warnings;
        assert!(
            warnings
                .iter()
                .any(|w| w.code == code && w.message.contains(spoiled)),
            "{warnings:?}"
        );
    }
}

#[test]
fn noise_of_unequal_bands_gets_no_ratio() {
    let mut captures = bench(1);
    captures.get_mut(&Condition::Looped).unwrap()[0]
        .noise
        .band_hz = (1.0, 24e3);
    let comparison = plain(&captures);
    assert_eq!(comparison.band_hz, (1.0, 5e3));
    assert!(
        comparison
            .quantity("noise_rms")
            .unwrap()
            .improvement_db
            .is_none()
    );
    let ground = CommonGround::of(captures.values().flatten()).unwrap();
    assert!(!captures.values().flatten().all(|m| ground.holds(m)));
    let again = ground.apply(&MeasureOptions::default());
    assert_eq!((again.band_hz, again.harmonics), (Some((1.0, 5e3)), 3));
}

/// Guarded acceptance and rejection (JCGM 106:2012, 8.3): the whole interval on one side.
#[test]
fn limits_pass_fail_or_stay_undecided() {
    let captures = bench(1);
    let hum = plain(&captures).quantity("hum_rms").unwrap().clone();
    let (reading, ratio) = (hum.isolated.unwrap(), hum.improvement_db.unwrap());
    let outcomes = |bounded, values: [f64; 3]| {
        values.map(|value| {
            let limits = vec![Limit::new(bounded, "hum_rms", value).unwrap()];
            let options = CompareOptions::default().limits(limits);
            with(&options, &captures).limits[0].outcome
        })
    };
    let expected = [Acceptance::Pass, Acceptance::Undecided, Acceptance::Fail];
    let around = [1.01 * reading.high, reading.value, 0.99 * reading.low];
    assert_eq!(outcomes(Bounded::Reading, around), expected);
    let around = [ratio.low - 0.1, ratio.value, ratio.high.unwrap() + 0.1];
    assert_eq!(outcomes(Bounded::Improvement, around), expected);
    let options = CompareOptions::default().limits(["improvement.dc_offset=60dB".parse().unwrap()]);
    assert!(!with(&options, &captures).passed());
    for bad in [
        "hum_rms",
        "hum_rms=x",
        "loudness=3",
        "hum_rms=-1",
        "improvement.hum_rms=20u",
    ] {
        assert_eq!(
            bad.parse::<Limit>().unwrap_err().kind(),
            ErrorKind::BadOption
        );
    }
}

/// A gain error common to both readings cancels in their ratio and not in the readings.
#[test]
fn expanded_uncertainties_hold_the_instruments_limits() {
    let mut captures = bench(1);
    for m in captures.values_mut().flatten() {
        m.acquisition.full_scale_v = Some(2.0);
    }
    let gain = |captures: &Captures| {
        let options = CompareOptions::default().instrument(
            InstrumentLimits::default()
                .gain(0.03)
                .probe(0.02)
                .offset(0.01),
        );
        with(&options, captures)
    };
    let comparison = gain(&captures);
    let hum = comparison.quantity("hum_rms").unwrap();
    let expanded = hum.expanded_uncertainty.unwrap();
    let reading = hum.looped.unwrap();
    let systematic = reading.value * (0.03_f64.powi(2) / 3.0 + 0.02_f64.powi(2) / 3.0).sqrt();
    let combined = systematic.hypot(reading.standard_uncertainty);
    let looped = expanded.looped.unwrap();
    assert_relative_eq!(
        looped.value,
        looped.coverage_factor * combined,
        max_relative = 1e-9
    );
    assert_abs_diff_eq!(looped.coverage_factor, 1.96, epsilon = 0.01);
    let random = |e: humsieve::Estimate| e.standard_uncertainty / e.value;
    let ratio = expanded.improvement_db.unwrap();
    let expected = 8.685_889_638 * random(reading).hypot(random(hum.isolated.unwrap()));
    assert_relative_eq!(
        ratio.value / ratio.coverage_factor,
        expected,
        max_relative = 1e-6
    );

    captures.get_mut(&Condition::Isolated).unwrap()[0]
        .acquisition
        .full_scale_v = Some(0.2);
    let apart = gain(&captures)
        .quantity("hum_rms")
        .unwrap()
        .expanded_uncertainty;
    assert!(apart.unwrap().improvement_db.unwrap().value > ratio.value);
    assert!(
        plain(&captures).quantities[0]
            .expanded_uncertainty
            .is_none()
    );
}

#[test]
fn repeats_tell_drift_and_return() {
    use Condition::{Baseline, Isolated, Looped};
    let mut captures = bench(4);
    let sequence = [
        [Baseline; 4].as_slice(),
        &[Looped; 2],
        &[Isolated; 4],
        &[Looped; 2],
    ]
    .concat();
    let options = CompareOptions::default().sequence(sequence);
    let mut with_offsets = |offsets: [f64; 4]| {
        let looped = captures.get_mut(&Looped).unwrap();
        for (m, offset) in looped.iter_mut().zip(offsets) {
            m.dc_offset.value = offset;
        }
        with(&options, &captures)
    };
    let find = |comparison: &Comparison, condition, name: &str| {
        let mut repeats = comparison.repeats.iter();
        let found = repeats.find(|r| r.condition == condition && r.quantity == name);
        found.unwrap().clone()
    };
    let said = |comparison: &Comparison, words: &str| {
        let mut notes = comparison.notes.iter();
        notes.any(|n| n.contains(words))
    };
    let comparison = with_offsets([0.5, 0.6, 0.7, 0.8]);
    let offset = find(&comparison, Looped, "dc_offset");
    assert!(offset.differ);
    assert_abs_diff_eq!(offset.drift.unwrap(), 0.3, epsilon = 1e-6);
    assert_eq!(find(&comparison, Looped, "hum_rms").came_back, Some(true));
    assert_eq!(find(&comparison, Isolated, "hum_rms").came_back, None);
    assert!(said(&comparison, "drifted") && said(&comparison, "Several captures"));

    let comparison = with_offsets([0.5, 0.501, 2.0, 2.001]);
    let offset = find(&comparison, Looped, "dc_offset");
    assert_eq!((offset.came_back, offset.drift), (Some(false), None));
    assert!(said(&comparison, "did not come back"));
}

#[test]
fn a_wanted_signal_gets_its_errors_before_and_after() {
    let options = CompareOptions::default().signal(WantedSignal::new(2.0).accuracy(0.02));
    let comparison = with(&options, &bench(1));
    let signal = comparison.signal.unwrap();
    let (before, after) = (signal.looped.unwrap(), signal.isolated.unwrap());
    assert_abs_diff_eq!(before.offset_percent.unwrap(), 25.0, epsilon = 1.0);
    // hum of 1.0773 RMS on a signal of 1.4142 RMS
    assert_abs_diff_eq!(before.hum_percent.unwrap(), 76.2, epsilon = 1.5);
    assert!(after.signal_to_noise_db.unwrap() > before.signal_to_noise_db.unwrap() + 15.0);
    assert!(after.smallest_readable.unwrap() < 0.25 * before.smallest_readable.unwrap());
}

#[test]
fn sentences_claim_no_more_than_the_lower_bound() {
    // A draw that is at the floor; how often it is, `verdicts` holds.
    let mut draws = Draws::seeded(23);
    let mut captures = bench(1);
    captures.insert(
        Condition::Isolated,
        Truth::new(0.0, &[0.0; 3], 0.1).captures(1, &mut draws),
    );
    let comparison = plain(&captures);
    let hum = comparison.quantity("hum_rms").unwrap();
    assert_eq!(hum.verdict, Verdict::AtFloor);
    let bound = format!("at least {:.1} dB", hum.improvement_db.unwrap().low);
    assert!(hum.sentence().contains(&bound), "{}", hum.sentence());
    assert!(
        hum.sentence()
            .contains("cannot be told from the instrument's floor")
    );
    assert!(comparison.notes[0].contains("One capture of each condition"));
}

/// Every number of two tables, names aside.
fn numbers(value: &serde_json::Value, into: &mut Vec<f64>) {
    match value {
        serde_json::Value::Number(x) => into.extend(x.as_f64()),
        serde_json::Value::Array(list) => list.iter().for_each(|v| numbers(v, into)),
        serde_json::Value::Object(fields) => fields.values().for_each(|v| numbers(v, into)),
        _ => {}
    }
}

#[test]
fn the_order_of_captures_changes_figures_by_rounding_alone() {
    let mut draws = Draws::seeded(41);
    for spread in [0.0, 0.05, 0.3] {
        let truth = |offset, harmonics: &[f64]| Truth {
            spread,
            ..Truth::new(offset, harmonics, 1.0)
        };
        let captures = BTreeMap::from([
            (
                Condition::Baseline,
                truth(0.0, &[0.0, 0.0, 0.0]).captures(3, &mut draws),
            ),
            (
                Condition::Looped,
                truth(3.0, &[5.0, 0.02, 0.9]).captures(5, &mut draws),
            ),
            (
                Condition::Isolated,
                truth(0.2, &[0.05, 0.04, 0.3]).captures(4, &mut draws),
            ),
        ]);
        let table = |captures: &BTreeMap<Condition, Vec<Measurement>>| {
            let comparison = compare(captures, &CompareOptions::default()).unwrap();
            let mut found = Vec::new();
            let quantities = serde_json::to_value(&comparison.quantities).unwrap();
            numbers(&quantities, &mut found);
            let verdicts: Vec<_> = comparison.quantities.iter().map(|q| q.verdict).collect();
            (found, verdicts)
        };
        let (figures, verdicts) = table(&captures);
        for turn in 1..5 {
            let mut turned = captures.clone();
            for list in turned.values_mut() {
                let count = list.len();
                list.rotate_left(turn % count);
                list.swap(0, turn % 2);
            }
            let (others, other_verdicts) = table(&turned);
            assert_eq!(verdicts, other_verdicts);
            assert_eq!(figures.len(), others.len());
            for (a, b) in figures.iter().zip(&others) {
                assert_relative_eq!(*a, *b, max_relative = 1e-9, epsilon = 1e-12);
            }
        }
    }
}

/// Channels of several captures, in any order, give the same channel to compare.
#[test]
fn the_channel_that_is_compared_does_not_depend_on_the_order_of_captures() {
    let mut draws = Draws::seeded(42);
    let mut named = |channel: &str, file: &str| {
        let mut m = Truth::new(1.0, &[2.0], 1.0).capture(&mut draws);
        m.channel = channel.into();
        m.file = file.into();
        m
    };
    let first = [named("A", "1"), named("B", "1")];
    let second = [named("A", "2"), named("B", "2"), named("C", "2")];
    let third = [named("C", "3")];
    let baseline = vec![named("D", "4"), named("E", "4")];
    let chosen = |parts: [&[Measurement]; 3]| {
        let captures = BTreeMap::from([
            (Condition::Baseline, baseline.clone()),
            (Condition::Looped, parts.concat()),
        ]);
        let mut left_out: Vec<_> = compare(&captures, &CompareOptions::default())
            .unwrap()
            .left_out
            .into_iter()
            .map(|l| (l.file, l.channel))
            .collect();
        left_out.sort();
        left_out.dedup();
        left_out
    };
    let expected = [("1", "B"), ("2", "B"), ("2", "C"), ("3", "C"), ("4", "E")];
    let expected = expected.map(|(file, channel)| (file.to_owned(), channel.to_owned()));
    assert_eq!(chosen([&first, &second, &third]), expected);
    assert_eq!(chosen([&third, &second, &first]), expected);
}

#[test]
fn a_dead_channel_improves_nothing() {
    let mut draws = Draws::seeded(43);
    let looped = Truth::new(1.0, &[5.0, 0.4], 1e-3).captures(2, &mut draws);
    let dead = |level: f64, dust: f64| {
        let mut m = Truth::new(0.0, &[1e-16, 0.0], 1e-16).capture(&mut draws.clone());
        m.dc_offset.value = level;
        m.waveform.max = level + dust;
        m.waveform.min = level;
        m.waveform.peak_to_peak = dust;
        m.waveform.ac_rms = 0.5 * dust;
        m
    };
    for (level, dust) in [(0.0, 0.0), (1.5, 0.0), (1.5, 4e-16), (-3e-9, 0.0)] {
        let captures = BTreeMap::from([
            (Condition::Looped, looped.clone()),
            (Condition::Isolated, vec![dead(level, dust)]),
        ]);
        let comparison = compare(&captures, &CompareOptions::default()).unwrap();
        for quantity in &comparison.quantities {
            assert_eq!(quantity.verdict, Verdict::Unresolved, "{quantity:?}");
            assert_eq!(quantity.improvement_db, None, "{quantity:?}");
            assert_eq!(quantity.isolated, None, "{quantity:?}");
        }
        let told = comparison
            .left_out
            .iter()
            .filter(|l| l.why.contains("dead"));
        assert_eq!(told.count(), 6);
    }
}

/// Two captures that differ by a factor leave one degree of freedom: ends stay in order whatever follows.
#[test]
fn intervals_of_few_captures_keep_their_order() {
    let mut draws = Draws::seeded(44);
    for case in 0..60 {
        let spread = [0.02, 0.2, 0.6, 1.5][case % 4];
        let truth = |hum: f64, noise: f64| Truth {
            spread,
            ..Truth::new(hum, &[hum, 0.1 * hum], noise)
        };
        let captures = BTreeMap::from([
            (
                Condition::Baseline,
                truth(0.01, 1.0).captures(2, &mut draws),
            ),
            (Condition::Looped, truth(3.0, 1.0).captures(2, &mut draws)),
            (Condition::Isolated, truth(0.3, 1.0).captures(2, &mut draws)),
        ]);
        let comparison = compare(&captures, &CompareOptions::default()).unwrap();
        for q in &comparison.quantities {
            for e in [
                q.baseline,
                q.looped,
                q.isolated,
                q.loop_excess,
                q.residual_excess,
            ]
            .into_iter()
            .flatten()
            {
                assert!(e.low <= e.value && e.value <= e.high, "{}: {e:?}", q.name);
                assert!(e.low >= 0.0 || q.name == "dc_offset", "{}: {e:?}", q.name);
            }
            for r in [q.improvement_db, q.excess_reduction_db]
                .into_iter()
                .flatten()
            {
                assert!(r.low <= r.value, "{}: {r:?}", q.name);
                assert!(
                    r.high.is_none_or(|high| r.value <= high),
                    "{}: {r:?}",
                    q.name
                );
            }
        }
    }
}

fn codes(comparison: &Comparison) -> Vec<WarningCode> {
    comparison.warnings.iter().map(|w| w.code).collect()
}

#[test]
fn a_floor_with_more_hum_than_the_loop_is_told_first() {
    let mut captures = bench(2);
    let baseline = captures.remove(&Condition::Baseline).unwrap();
    let looped = captures.remove(&Condition::Looped).unwrap();
    captures.insert(Condition::Baseline, looped);
    captures.insert(Condition::Looped, baseline);
    captures.get_mut(&Condition::Looped).unwrap()[0]
        .acquisition
        .full_scale_v = Some(1.0);
    captures.get_mut(&Condition::Baseline).unwrap()[0]
        .acquisition
        .full_scale_v = Some(9.0);
    let comparison = plain(&captures);
    assert_eq!(codes(&comparison)[0], WarningCode::ConditionsSwapped);
    let mut text = Vec::new();
    humsieve::report::write_comparison(
        &mut text,
        humsieve::report::Format::Text,
        &comparison,
        humsieve::report::TextLayout::default(),
    )
    .unwrap();
    assert!(text.starts_with(b"! conditions_swapped"));
    assert!(!codes(&plain(&bench(2))).contains(&WarningCode::ConditionsSwapped));
}

/// A copy counts once: figures and degrees of freedom are those without it.
#[test]
fn a_capture_given_twice_is_told_and_counts_once() {
    let once = bench(2);
    let mut twice = once.clone();
    let looped = twice.get_mut(&Condition::Looped).unwrap();
    let mut copy = looped[1].clone();
    copy.file = "copy.csv".into();
    looped.push(copy);
    let (a, b) = (plain(&once), plain(&twice));
    assert_eq!(a.quantities, b.quantities);
    assert!(codes(&b).contains(&WarningCode::SameCaptureTwice));
    assert!(!codes(&a).contains(&WarningCode::SameCaptureTwice));
    let told: Vec<_> = b.left_out.iter().filter(|l| l.file == "copy.csv").collect();
    assert!(told.len() > 1 && told.iter().all(|l| l.why.contains("same samples")));

    let mut across = once;
    let copy = across[&Condition::Looped][0].clone();
    across.insert(Condition::Isolated, vec![copy]);
    let comparison = plain(&across);
    assert!(codes(&comparison).contains(&WarningCode::SameCaptureTwice));
    assert!(comparison.left_out.is_empty());
}

#[test]
fn unequal_bandwidths_get_no_ratio_of_what_depends_on_them() {
    let mut captures = bench(2);
    for m in captures.get_mut(&Condition::Isolated).unwrap() {
        m.sample_rate_hz *= 0.5;
    }
    let comparison = plain(&captures);
    assert!(codes(&comparison).contains(&WarningCode::RateMismatch));
    for name in ["ac_rms", "peak_to_peak"] {
        let quantity = comparison.quantity(name).unwrap();
        assert_eq!(quantity.improvement_db, None);
        assert_eq!(quantity.verdict, Verdict::Unresolved);
        let sentence = quantity.sentence();
        assert!(sentence.contains("bandwidths differ"), "{sentence}");
    }
    assert!(
        comparison
            .quantity("hum_rms")
            .unwrap()
            .improvement_db
            .is_some()
    );
}

#[test]
fn captures_that_differ_by_more_than_their_scatter_are_told() {
    let mut captures = bench(3);
    let told = |comparison: &Comparison| {
        let mut notes = comparison.notes.iter();
        notes.any(|note| note.starts_with("looped captures differ"))
    };
    assert!(!told(&plain(&captures)));
    let looped = captures.get_mut(&Condition::Looped).unwrap();
    let rms = looped[0].mains.hum_rms.as_mut().unwrap();
    rms.value *= 1.5;
    rms.low *= 1.5;
    rms.high *= 1.5;
    looped[0].mains.power.observed_v2 *= 2.25;
    let comparison = plain(&captures);
    assert!(told(&comparison), "{:?}", comparison.notes);
}

/// No sentence, table or page names an end that is not known.
#[test]
fn words_never_name_what_is_unbounded() {
    let mut draws = Draws::seeded(45);
    let hums = [0.0, 0.004, 0.02, 0.1, 3.0];
    for (looped, isolated, count) in hums
        .iter()
        .flat_map(|a| hums.iter().map(move |b| (a, b)))
        .flat_map(|(&a, &b)| [(a, b, 1), (a, b, 4)])
    {
        let truth = |hum: f64| Truth::new(hum, &[hum, 0.3 * hum, 0.02 * hum], 0.1);
        let captures = BTreeMap::from([
            (Condition::Baseline, truth(0.0).captures(count, &mut draws)),
            (Condition::Looped, truth(looped).captures(count, &mut draws)),
            (
                Condition::Isolated,
                truth(isolated).captures(count, &mut draws),
            ),
        ]);
        let comparison = plain(&captures);
        for format in [
            humsieve::report::Format::Text,
            humsieve::report::Format::Markdown,
        ] {
            let mut out = Vec::new();
            humsieve::report::write_comparison(&mut out, format, &comparison, Default::default())
                .unwrap();
            let text = String::from_utf8(out).unwrap().replace('\n', " ");
            for wrong in [
                "inf",
                "NaN",
                "within at most",
                "-0.0 ",
                "-0.000",
                "by at most -",
            ] {
                assert!(!text.contains(wrong), "{wrong}: {text}");
            }
        }
        for quantity in &comparison.quantities {
            let claimed = quantity.claimed(quantity.improvement_db);
            if quantity.verdict == Verdict::AtFloor {
                assert_eq!(claimed.unwrap().high, None);
            }
        }
    }
}
