//! Faults of the program in one capture, kept from costing the others.
//!
//! The library panics on no input it was made for. Should it do so nevertheless, [`contained`] turns the
//! panic of one capture into an error of that capture, from whichever thread of the pool it came.

use crate::{Error, ErrorKind};
use std::any::Any;
use std::panic::{self, AssertUnwindSafe, PanicHookInfo};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, Once, PoisonError};
use std::thread::{self, ThreadId};

/// Faults remembered until their captures are told; more at once than this lose their places.
const REMEMBERED: usize = 64;

/// A panic as it happened.
struct Fault {
    thread: ThreadId,
    message: String,
    place: String,
}

static FAULTS: Mutex<Vec<Fault>> = Mutex::new(Vec::new());
static WATCHING: AtomicUsize = AtomicUsize::new(0);

/// Does the work on one capture; a panic in it becomes an error of kind `internal` with its place, where
/// [`note_places`] was called before, and a line that asks for the file.
///
/// # Errors
/// Those of the work, and `Internal`.
pub fn contained<T>(work: impl FnOnce() -> Result<T, Error>) -> Result<T, Error> {
    WATCHING.fetch_add(1, Ordering::Relaxed);
    let outcome = panic::catch_unwind(AssertUnwindSafe(work));
    WATCHING.fetch_sub(1, Ordering::Relaxed);
    outcome.unwrap_or_else(|payload| Err(told(payload.as_ref())))
}

/// From now on the place of a panic is remembered, and one that [`contained`] will tell is not printed.
///
/// This is for the program as a whole: the panic hook is one to a process. Others stay in force.
pub fn note_places() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let otherwise = panic::take_hook();
        panic::set_hook(Box::new(move |panic| {
            if WATCHING.load(Ordering::Relaxed) == 0 {
                otherwise(panic);
            } else {
                remember(panic);
            }
        }));
    });
}

fn remember(panic: &PanicHookInfo<'_>) {
    let mut faults = FAULTS.lock().unwrap_or_else(PoisonError::into_inner);
    if faults.len() >= REMEMBERED {
        faults.remove(0);
    }
    faults.push(Fault {
        thread: thread::current().id(),
        message: message(panic.payload()),
        place: panic
            .location()
            .map_or_else(|| "a place unknown".into(), ToString::to_string),
    });
}

fn message(payload: &(dyn Any + Send)) -> String {
    let text = payload.downcast_ref::<&str>().copied();
    text.or_else(|| payload.downcast_ref::<String>().map(String::as_str))
        .unwrap_or("no message")
        .to_owned()
}

/// Takes the fault that came with this payload: of this thread if there is one, else of the latest
/// thread that failed with the same words.
fn place_of(words: &str) -> Option<String> {
    let mut faults = FAULTS.lock().unwrap_or_else(PoisonError::into_inner);
    let here = thread::current().id();
    let index = faults
        .iter()
        .rposition(|fault| fault.thread == here && fault.message == words)
        .or_else(|| faults.iter().rposition(|fault| fault.message == words))
        .or_else(|| faults.iter().rposition(|fault| fault.thread == here))?;
    Some(faults.remove(index).place)
}

fn told(payload: &(dyn Any + Send)) -> Error {
    let words = message(payload);
    let place = place_of(&words).map_or_else(String::new, |place| format!(" at {place}"));
    ErrorKind::Internal.error(format!(
        "this is a fault of humsieve {}, not of the file: {words}{place}; \
             please report it with this line and the file",
        env!("CARGO_PKG_VERSION")
    ))
}

#[cfg(test)]
#[allow(clippy::panic, clippy::unwrap_used)]
mod tests {
    use super::*;
    use rayon::prelude::*;

    fn fails(words: &str) -> Result<u32, Error> {
        panic!("{words}");
    }

    #[test]
    fn a_fault_of_the_program_is_an_error_with_its_place() {
        note_places();
        let error = contained(|| fails("index out of bounds")).unwrap_err();
        assert_eq!(error.kind(), ErrorKind::Internal);
        for words in [
            "index out of bounds",
            "src/fault.rs:",
            "report it",
            "the file",
        ] {
            assert!(error.message().contains(words), "{error}");
        }
        assert_eq!(contained(|| Ok(7)), Ok(7));
    }

    #[test]
    fn a_fault_on_another_thread_keeps_its_place() {
        note_places();
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(3)
            .build()
            .unwrap();
        let error = contained(|| {
            pool.install(|| {
                (0..64)
                    .into_par_iter()
                    .map(|i| if i == 50 { fails("fiftieth") } else { Ok(i) })
                    .collect::<Result<Vec<u32>, Error>>()
            })
        })
        .unwrap_err();
        assert!(
            error.message().contains("fiftieth at src/fault.rs:"),
            "{error}"
        );
    }

    #[test]
    fn one_fault_among_many_costs_itself() {
        note_places();
        let outcomes: Vec<Result<u32, Error>> = (0..40)
            .into_par_iter()
            .map(|i| contained(|| if i % 8 == 3 { fails("third") } else { Ok(i) }))
            .collect();
        for (i, outcome) in outcomes.iter().enumerate() {
            assert_eq!(outcome.is_err(), i % 8 == 3);
        }
    }
}
