//! `humsieve compare`.

use super::console::{self, Console};
use super::failure::{Failure, Outcome};
use super::library::{CompareOptions, compare};
use super::measure::measurements;
use super::request::CompareRequest;
use super::{batch, inputs};
use humsieve::report::{ComparisonReport, write_comparison};
use humsieve::{Condition, Measurement};
use std::collections::BTreeMap;

pub fn run(request: &CompareRequest) -> Result<Outcome, Failure> {
    let captures = find(request)?;
    let console = Console::new(request.quiet, captures.len());
    let mut outcome = Outcome::default();
    let mut by_condition: BTreeMap<Condition, Vec<Measurement>> = BTreeMap::new();
    batch::in_order(
        &captures,
        request.batch.jobs,
        |(condition, input)| match input {
            Ok(path) => (
                *condition,
                path.clone(),
                measurements(path, &request.load, &request.measure),
            ),
            Err((path, error)) => (*condition, path.clone(), Err(error.clone())),
        },
        |(condition, path, measured)| {
            console.advance();
            match measured {
                Ok(measured) => by_condition.entry(condition).or_default().extend(measured),
                Err(error) => {
                    outcome.capture_failed = true;
                    console.error(&path.to_string_lossy(), &error);
                }
            }
            Ok::<(), Failure>(())
        },
    )?;
    console.finish();

    let comparison = compare(
        &by_condition,
        &CompareOptions {
            confidence: request.measure.confidence,
        },
    )?;
    let report = ComparisonReport::new(&comparison, &[]);
    write_comparison(&mut console::results(), request.format, &report)?;
    Ok(outcome)
}

fn find(request: &CompareRequest) -> Result<Vec<(Condition, inputs::Input)>, Failure> {
    let mut captures = Vec::new();
    for (condition, named) in &request.captures {
        let found = inputs::find(named, None)?;
        captures.extend(found.into_iter().map(|input| (*condition, input)));
    }
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
    Ok(captures)
}
