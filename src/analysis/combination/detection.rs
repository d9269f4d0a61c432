//! The test for a series in the powers of its orders.

use crate::analysis::options::GRID_RANGE;
use crate::stats::{LinePower, f_cdf};

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
        let cells = 1.0 + 2.0 * GRID_RANGE * nominal_hz * duration_s * top as f64;
        let chance = 1.0 - f_cdf(ratio / components, components, dof);
        chance * cells * groups.len() as f64 <= false_alarm
    })
}
