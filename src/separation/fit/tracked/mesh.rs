//! A mesh of whole mains cycles along a course.

use crate::separation::fit::course::Course;
use crate::separation::fit::model::HumModel;

/// Lays out intervals of so many whole cycles of a course.
pub(crate) fn mesh(samples: usize, course: &Course, rate: f64, cycles: f64) -> HumModel {
    let (mut edges, mut phase) = (vec![0], vec![0.0]);
    let mut time = 0.0;
    loop {
        let mut step = cycles / course.frequency_at(time);
        step = cycles / course.frequency_at(time + 0.5 * step);
        time += step;
        let edge = (time * rate).round();
        if edge as usize >= samples {
            break;
        }
        let whole = edges.len() as f64 * cycles;
        edges.push(edge as usize);
        phase.push(whole + (edge / rate - time) * course.frequency_at(time));
    }
    let last = edges.len() - 1;
    if last > 0 && ((samples - edges[last]) as f64) < 0.5 * cycles * rate / course.nominal_hz {
        edges.pop();
        phase.pop();
    }
    let last = edges.len() - 1;
    let rest = (samples - edges[last]) as f64 / rate;
    let frequency = course.frequency_at(edges[last] as f64 / rate + 0.5 * rest);
    phase.push(phase[last] + rest * frequency);
    edges.push(samples);
    let intervals = edges.len() - 1;
    HumModel {
        gain: vec![1.0; edges.len()],
        edges,
        phase,
        piece: vec![0; intervals],
        constants: vec![Vec::new()],
        ..HumModel::default()
    }
}
