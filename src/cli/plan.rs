//! `humsieve plan`.

use super::arguments::request::PlanRequest;
use super::console;
use super::failure::{Failure, Outcome};
use crate::plan::plan;
use crate::results;
use crate::wrap::WIDTH;
use std::io::Write;

pub fn run(request: &PlanRequest) -> Result<Outcome, Failure> {
    let plan = plan(&request.options)?;
    let mut out = console::results();
    if request.json {
        results::write(&mut out, &plan)?;
    } else {
        let columns = console::columns().unwrap_or(WIDTH);
        out.write_all(plan.text(columns).as_bytes())?;
    }
    out.flush()?;
    Ok(Outcome::default())
}
