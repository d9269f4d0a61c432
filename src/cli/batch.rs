//! Many captures at once, their results in order and as early as the order allows.

use rayon::{ThreadPool, ThreadPoolBuilder};
use std::num::NonZero;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;
use std::thread;

/// Works through `items` on `jobs` threads and hands over each result in the order of the items.
///
/// No more than `jobs` threads are at work: what a worker does on several of them it does on its share.
/// With one job or one item the work is done on the calling thread. Where `take` fails, work that has not begun is
/// left undone and the failure returned.
pub fn in_order<T, R, E>(
    items: &[T],
    jobs: usize,
    work: impl Fn(&T) -> R + Sync,
    mut take: impl FnMut(R) -> Result<(), E>,
) -> Result<(), E>
where
    T: Sync,
    R: Send,
{
    let workers = jobs.min(items.len());
    let share = jobs / workers.max(1);
    if workers <= 1 {
        let _own = own_threads(share);
        return items.iter().try_for_each(|item| take(work(item)));
    }
    let next = AtomicUsize::new(0);
    thread::scope(|scope| {
        let (sender, receiver) = mpsc::channel();
        for _ in 0..workers {
            let (sender, next, work) = (sender.clone(), &next, &work);
            scope.spawn(move || {
                let _own = own_threads(share);
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    let Some(item) = items.get(index) else { break };
                    if sender.send((index, work(item))).is_err() {
                        break;
                    }
                }
            });
        }
        drop(sender);
        let mut waiting: Vec<Option<R>> = items.iter().map(|_| None).collect();
        let mut due = 0;
        let outcome = receiver.iter().try_for_each(|(index, result)| {
            waiting[index] = Some(result);
            while let Some(result) = waiting.get_mut(due).and_then(Option::take) {
                due += 1;
                take(result)?;
            }
            Ok(())
        });
        next.store(items.len(), Ordering::Relaxed);
        outcome
    })
}

/// Does what works in parallel on so many threads, the calling one among them.
pub fn on_threads<R>(count: usize, work: impl FnOnce() -> R) -> R {
    let _own = own_threads(count);
    work()
}

/// Threads for what the calling thread does in parallel, itself among them.
///
/// `None` where the calling thread has some already, which then go on to serve it.
fn own_threads(count: usize) -> Option<ThreadPool> {
    let cores = thread::available_parallelism().map_or(1, NonZero::get);
    ThreadPoolBuilder::new()
        .num_threads(count.clamp(1, cores))
        .use_current_thread()
        .build()
        .ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[test]
    fn order_is_kept_whatever_the_number_of_jobs() {
        let items: Vec<u64> = (0..200).collect();
        for jobs in [1, 2, 7, 1000] {
            let mut taken = Vec::new();
            let outcome: Result<(), ()> = in_order(
                &items,
                jobs,
                |&item| {
                    thread::sleep(Duration::from_micros(item * 7919 % 50));
                    item * item
                },
                |square| {
                    taken.push(square);
                    Ok(())
                },
            );
            assert_eq!(outcome, Ok(()));
            assert!(taken.iter().copied().eq(items.iter().map(|i| i * i)));
        }
    }

    #[test]
    fn a_failing_taker_stops_the_work() {
        let items: Vec<u64> = (0..100_000).collect();
        let begun = AtomicUsize::new(0);
        let outcome = in_order(
            &items,
            2,
            |&item| {
                begun.fetch_add(1, Ordering::Relaxed);
                thread::sleep(Duration::from_micros(20));
                item
            },
            |item| if item < 10 { Ok(()) } else { Err(item) },
        );
        assert_eq!(outcome, Err(10));
        assert!(begun.load(Ordering::Relaxed) < items.len());
    }
}
