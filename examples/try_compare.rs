//! Trial.
#![allow(clippy::unwrap_used)]
use humsieve::{comparison::*, *, analysis::measure, load};
use std::collections::BTreeMap;
use std::path::Path;
use std::time::Instant;
fn main() {
    let options = MeasureOptions::default();
    let read = |name: &str, o: &MeasureOptions| -> Vec<Measurement> {
        let mut out = vec![];
        for mut s in load::open(Path::new(&format!("data/demo/{name}.csv")), &load::LoadOptions::default()).unwrap() { out.extend(measure(s.as_mut(), o).unwrap()); }
        out
    };
    for sets in [[vec!["baseline_1"],vec!["looped_1"],vec!["isolator_1"]],
        [vec!["baseline_1","baseline_2","baseline_3"],vec!["looped_1","looped_2","looped_3"],vec!["isolator_1","isolator_2","isolator_3"]],
        [vec!["baseline_1","baseline_2","baseline_3"],vec!["looped_1","looped_2","looped_3"],vec!["differential_1","differential_2","differential_3"]],
        [vec!["baseline_1"],vec!["baseline_2"],vec![]],[vec!["looped_1"],vec!["looped_2"],vec!["looped_3"]]] {
        let t = Instant::now();
        let mut map = BTreeMap::new();
        for (c, names) in [Condition::Baseline, Condition::Looped, Condition::Isolated].into_iter().zip(&sets) {
            let m: Vec<Measurement> = names.iter().flat_map(|n| read(n, &options)).collect();
            if !m.is_empty() { map.insert(c, m); }
        }
        let ground = CommonGround::of(map.values().flatten()).unwrap();
        println!("\n=== {sets:?} ground {ground:?} holds {} read {:?}", map.values().flatten().all(|m| ground.holds(m)), t.elapsed());
        let t = Instant::now();
        let c = compare(&map, &CompareOptions::default()).unwrap();
        println!("compare {:?}", t.elapsed());
        for q in &c.quantities {
            if q.name.starts_with("harmonic_") && q.verdict == Verdict::Unresolved { continue; }
            let e = |e: Option<Estimate>| e.map_or("-".into(), |e| format!("{:.4e}[{:.3e},{:.3e}]", e.value, e.low, e.high));
            println!("{:15} {} | {} | {} | exc {} res {}", q.name, e(q.baseline), e(q.looped), e(q.isolated), e(q.loop_excess), e(q.residual_excess));
            println!("    {:?} red {:?} p {:?} adj {:?}", q.improvement_db, q.excess_reduction_db, q.p_value, q.adjusted_p_value);
            println!("    {}", q.sentence());
        }
        for w in &c.warnings { println!("! {w}"); }
        for n in &c.notes { println!("- {n}"); }
        for l in &c.left_out { println!("left out {l:?}"); }
        for r in &c.repeats { println!("{} {} spread {:.3} expected {:.3} differ {}", r.condition, r.quantity, r.spread, r.expected_spread, r.differ); }
    }
}
