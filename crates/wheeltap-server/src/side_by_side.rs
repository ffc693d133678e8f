//! The same work on many things, on a thread a core.

use std::ops::ControlFlow;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::mpsc::{RecvTimeoutError, sync_channel};
use std::time::{Duration, Instant};

/// How often it is looked whether anybody still waits.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// Why work ended before all was done.
#[derive(Debug, PartialEq, Eq)]
pub enum Ended<B> {
    /// Nobody wants it any more.
    Unwanted,
    /// Whoever took the results had enough.
    Enough(B),
}

/// Does `work` on each of `items`, as many at once as there are cores; `take` is given the place and the result
/// of each as it is done, on the calling thread, and ends the work by breaking. `work` is given a flag that is
/// set once its result is wanted no more. Blocks until every thread has ended.
///
/// # Errors
/// How the work was ended.
pub fn side_by_side<T: Sync, R: Send, B>(
    items: &[T],
    is_wanted: impl Fn() -> bool,
    work: impl Fn(&T, &AtomicBool) -> R + Sync,
    mut take: impl FnMut(usize, R) -> ControlFlow<B>,
) -> Result<(), Ended<B>> {
    let next = AtomicUsize::new(0);
    let is_ended = AtomicBool::new(false);
    let n_threads = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let (sender, results) = sync_channel(n_threads);
    std::thread::scope(|scope| {
        for _ in 0..n_threads.min(items.len()) {
            let sender = sender.clone();
            let (next, is_ended, work) = (&next, &is_ended, &work);
            scope.spawn(move || {
                while !is_ended.load(Ordering::Relaxed) {
                    let place = next.fetch_add(1, Ordering::Relaxed);
                    let Some(item) = items.get(place) else {
                        return;
                    };
                    if sender.send((place, work(item, is_ended))).is_err() {
                        return;
                    }
                }
            });
        }
        drop(sender);
        // Moved in here: a receiver that outlived this closure would hold up threads whose results fill the
        // channel, and the scope waits for them.
        let results = results;
        let ended = taken(&results, is_wanted, &mut take);
        is_ended.store(ended.is_err(), Ordering::Relaxed);
        ended
    })
}

fn taken<R, B>(
    results: &std::sync::mpsc::Receiver<(usize, R)>,
    is_wanted: impl Fn() -> bool,
    take: &mut impl FnMut(usize, R) -> ControlFlow<B>,
) -> Result<(), Ended<B>> {
    let mut looked_at = Instant::now();
    loop {
        let result = results.recv_timeout(LOOK_EVERY);
        if looked_at.elapsed() >= LOOK_EVERY {
            if !is_wanted() {
                return Err(Ended::Unwanted);
            }
            looked_at = Instant::now();
        }
        match result {
            Ok((place, result)) => {
                if let ControlFlow::Break(why) = take(place, result) {
                    return Err(Ended::Enough(why));
                }
            }
            Err(RecvTimeoutError::Disconnected) => return Ok(()),
            Err(RecvTimeoutError::Timeout) => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc::channel;

    /// Runs what might hang on a thread of its own.
    fn within_seconds<R: Send + 'static>(what: impl FnOnce() -> R + Send + 'static) -> R {
        let (sender, done) = channel();
        std::thread::spawn(move || sender.send(what()));
        done.recv_timeout(Duration::from_secs(20)).unwrap()
    }

    #[test]
    fn each_result_comes_once_with_its_place() {
        let items: Vec<u64> = (0..1_000).collect();
        let mut squares = vec![0; items.len()];
        let done: Result<(), Ended<()>> = side_by_side(
            &items,
            || true,
            |item, _| item * item,
            |place, square| {
                squares[place] += square;
                ControlFlow::Continue(())
            },
        );
        assert_eq!(done, Ok(()));
        assert!(
            squares
                .iter()
                .zip(&items)
                .all(|(square, item)| *square == item * item)
        );
    }

    #[test]
    fn whoever_has_enough_while_results_pile_up_is_not_held_up() {
        let ended = within_seconds(|| {
            let n_done = AtomicUsize::new(0);
            let n_cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
            let items = vec![(); 10 * n_cores];
            side_by_side(
                &items,
                || true,
                |(), _| n_done.fetch_add(1, Ordering::SeqCst),
                |_, _| {
                    // The channel holds a result a core, and every thread has one more to send.
                    while n_done.load(Ordering::SeqCst) < 2 * n_cores + 1 {
                        std::thread::yield_now();
                    }
                    ControlFlow::Break("enough")
                },
            )
        });
        assert_eq!(ended, Err(Ended::Enough("enough")));
    }

    #[test]
    fn what_nobody_wants_ends_in_the_middle_and_between_quick_results() {
        let ended: Result<(), Ended<()>> = within_seconds(|| {
            side_by_side(
                &[()],
                || false,
                |(), is_ended| {
                    while !is_ended.load(Ordering::Relaxed) {
                        std::thread::yield_now();
                    }
                },
                |_, ()| ControlFlow::Continue(()),
            )
        });
        assert_eq!(ended, Err(Ended::Unwanted));
        let quick: Result<(), Ended<()>> = within_seconds(|| {
            let items = vec![(); usize::MAX / 2];
            side_by_side(
                &items,
                || false,
                |(), _| (),
                |_, ()| ControlFlow::Continue(()),
            )
        });
        assert_eq!(quick, Err(Ended::Unwanted));
    }
}
