//! `humsieve plan`.

use super::arguments::request::PlanRequest;
use super::console;
use super::failure::{Failure, Outcome};
use crate::plan::plan;
use crate::results;
use std::io::Write;

pub fn run(request: &PlanRequest) -> Result<Outcome, Failure> {
    let plan = plan(&request.options)?;
    let mut out = console::results();
    if request.json {
        results::write(&mut out, &plan)?;
    } else {
        write!(out, "{plan}")?;
    }
    out.flush()?;
    Ok(Outcome::default())
}
