//! `humsieve compare`.

use super::console::{self, Console};
use super::failure::{Failure, Outcome};
use super::measure::measurements;
use super::request::CompareRequest;
use super::{batch, inputs};
use humsieve::comparison::{CommonGround, compare};
use humsieve::report::write_comparison;
use humsieve::{Condition, Error, Measurement};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// One capture with what was measured of it.
struct Measured {
    condition: Condition,
    path: PathBuf,
    outcome: Result<Vec<Measurement>, Error>,
}

pub fn run(request: &CompareRequest) -> Result<Outcome, Failure> {
    let captures = find(request)?;
    let console = Console::new(request.quiet, captures.len());
    let measured = on_common_ground(measure_all(&captures, request, &console)?, request);
    console.finish();

    let mut outcome = Outcome::default();
    let mut by_condition: BTreeMap<Condition, Vec<Measurement>> = BTreeMap::new();
    for capture in measured {
        match capture.outcome {
            Ok(found) => by_condition
                .entry(capture.condition)
                .or_default()
                .extend(found),
            Err(error) => {
                outcome.capture_failed = true;
                console.error(&capture.path.to_string_lossy(), &error);
            }
        }
    }
    if by_condition.len() < 2 && outcome.capture_failed {
        console.say("no two conditions are left to compare");
        return Ok(outcome);
    }
    let comparison = compare(&by_condition, &request.compare)?;
    outcome.limit_exceeded = !comparison.passed();
    write_comparison(&mut console::results(), request.format, &comparison)?;
    Ok(outcome)
}

fn measure_all(
    captures: &[(Condition, inputs::Input)],
    request: &CompareRequest,
    console: &Console,
) -> Result<Vec<Measured>, Failure> {
    let mut measured = Vec::with_capacity(captures.len());
    batch::in_order(
        captures,
        inputs::threads(captures.iter().map(|(_, input)| input), request.jobs),
        |(condition, input)| {
            let (path, outcome) = match input {
                Ok(path) => (path, measurements(path, &request.load, &request.measure)),
                Err((path, error)) => (path, Err(error.clone())),
            };
            Measured {
                condition: *condition,
                path: path.clone(),
                outcome,
            }
        },
        |capture| {
            console.advance();
            measured.push(capture);
            Ok::<(), Failure>(())
        },
    )?;
    Ok(measured)
}

/// Measures again, in the band and with the harmonics that all share, what was not measured so.
/// Standard input cannot be read twice and stays as it is.
fn on_common_ground(mut measured: Vec<Measured>, request: &CompareRequest) -> Vec<Measured> {
    let found = measured
        .iter()
        .flat_map(|capture| capture.outcome.iter().flatten());
    let Some(ground) = CommonGround::of(found) else {
        return measured;
    };
    let options = ground.apply(&request.measure);
    let again: Vec<usize> = measured
        .iter()
        .enumerate()
        .filter(|(_, capture)| {
            !inputs::is_standard_input(&capture.path)
                && capture
                    .outcome
                    .iter()
                    .flatten()
                    .any(|measurement| !ground.holds(measurement))
        })
        .map(|(index, _)| index)
        .collect();
    let mut renewed = Vec::with_capacity(again.len());
    let Ok(()) = batch::in_order(
        &again,
        request.jobs,
        |&index| measurements(&measured[index].path, &request.load, &options),
        |outcome| {
            renewed.push(outcome);
            Ok::<(), std::convert::Infallible>(())
        },
    );
    for (index, outcome) in again.into_iter().zip(renewed) {
        measured[index].outcome = outcome;
    }
    measured
}

fn find(request: &CompareRequest) -> Result<Vec<(Condition, inputs::Input)>, Failure> {
    let standard_input = request
        .captures
        .iter()
        .flat_map(|(_, named)| named)
        .filter(|path| inputs::is_standard_input(path))
        .count();
    if standard_input > 1 {
        return Err(Failure::Usage(
            "standard input (-) can be read only once".into(),
        ));
    }
    let mut captures = Vec::new();
    for (condition, named) in &request.captures {
        let found = inputs::find(named, None)?;
        captures.extend(found.into_iter().map(|input| (*condition, input)));
    }
    Ok(captures)
}
