//! What an input cost: a run on a busy machine waits, which is not the input's doing.

use std::time::{Duration, Instant};

/// Ticks of `/proc/self/stat` in a second.
const TICKS: f64 = 100.0;

pub struct Clock {
    begun: Instant,
    processor: Option<Duration>,
}

impl Clock {
    pub fn start() -> Self {
        Self {
            begun: Instant::now(),
            processor: processor(),
        }
    }

    /// Time passed, or the processor time of all threads where that is told and less.
    pub fn took(&self) -> Duration {
        let wall = self.begun.elapsed();
        match (self.processor, processor()) {
            (Some(before), Some(now)) => wall.min(now.saturating_sub(before)),
            _ => wall,
        }
    }
}

/// Processor time of this process, where the system tells it.
fn processor() -> Option<Duration> {
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    // Behind the name in brackets; user and system time are the 14th and 15th of all.
    let mut fields = stat[stat.rfind(')')? + 1..].split_whitespace().skip(11);
    let mut ticks = || fields.next()?.parse::<f64>().ok();
    Some(Duration::from_secs_f64((ticks()? + ticks()?) / TICKS))
}
