//! Work on all cores whose results are taken one after the other, in the order of the tasks.

use std::sync::mpsc::sync_channel;
use std::sync::{LazyLock, Mutex};

use rayon::{ThreadPool, ThreadPoolBuilder};

/// Tasks that each worker may be ahead of what has been taken.
const AHEAD: usize = 3;

/// Threads for the workers of one call at a time. They wait for each other, so nobody else's work may wait for one of
/// them; and they stay, since what a thread allocates is best used again by itself.
static THREADS: LazyLock<Option<Mutex<ThreadPool>>> = LazyLock::new(|| {
    let threads = ThreadPoolBuilder::new().num_threads(rayon::current_num_threads());
    threads.build().ok().map(Mutex::new)
});

/// Does tasks `0..tasks`, and takes what they give in their order while later ones are worked on.
///
/// Of `n` workers, each on a thread of its own, worker `w` does the tasks with `task % n == w`. `work` fills a buffer,
/// `take` empties it on this thread. The same few buffers go round, as they were left: memory that
/// one thread takes and another gives back would pile up. Where other work is done so already, or
/// there are not threads enough, this thread does all by itself.
///
/// # Panics
/// Where there are tasks and no worker, and where one of them panics.
pub(crate) fn in_order<W: Send, B: Default + Send>(
    tasks: usize,
    workers: &mut [W],
    work: impl Fn(&mut W, usize, &mut B) + Sync,
    mut take: impl FnMut(usize, &mut B),
) {
    let (count, work) = (workers.len(), &work);
    // One task is not worth it.
    let threads = THREADS.as_ref().filter(|_| tasks > 1);
    let threads = threads.and_then(|threads| threads.try_lock().ok());
    let Some(threads) = threads.filter(|threads| threads.current_num_threads() >= count) else {
        let mut buffer = B::default();
        for task in 0..tasks {
            work(&mut workers[task % count], task, &mut buffer);
            take(task, &mut buffer);
        }
        return;
    };
    threads.in_place_scope(|scope| {
        let lanes: Vec<_> = (workers.iter_mut().enumerate())
            .map(|(first, worker)| {
                let (give, given) = sync_channel(AHEAD);
                let (give_back, given_back) = sync_channel::<B>(AHEAD);
                scope.spawn(move |_| {
                    for task in (first..tasks).step_by(count) {
                        let is_new = task < AHEAD * count;
                        let buffer = if is_new {
                            Ok(B::default())
                        } else {
                            given_back.recv()
                        };
                        // Where nobody takes any more, it has panicked.
                        let Ok(mut buffer) = buffer else { return };
                        work(worker, task, &mut buffer);
                        if give.send(buffer).is_err() {
                            return;
                        }
                    }
                });
                (given, give_back)
            })
            .collect();
        for task in 0..tasks {
            let (given, give_back) = &lanes[task % count];
            // Where nothing is given any more, the worker has panicked, and so does the end of this scope.
            let Ok(mut buffer) = given.recv() else { return };
            take(task, &mut buffer);
            // The last ones are not wanted back.
            let _ = give_back.send(buffer);
        }
    });
}

/// [`in_order`] for things of one kind, `together` of them a task, on as many threads as are used elsewhere.
pub(crate) fn each_in_order<T: Sync, B: Default + Send>(
    all: &[T],
    together: usize,
    work: impl Fn(&T, &mut B) + Sync,
    mut take: impl FnMut(&mut B),
) {
    let groups: Vec<&[T]> = all.chunks(together).collect();
    in_order(
        groups.len(),
        &mut vec![(); rayon::current_num_threads()],
        |(), group, buffer| {
            for one in groups[group] {
                work(one, buffer);
            }
        },
        |_, buffer| take(buffer),
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    /// With more workers than threads too, and while another call has the threads.
    fn tasks_are_taken_in_order() {
        for tasks in [0, 1, 2, 5, 1000] {
            for count in [1, 2, 1000] {
                let mut workers: Vec<Vec<usize>> = vec![Vec::new(); count];
                let (mut taken, mut buffers) = (Vec::new(), 0);
                in_order(
                    tasks,
                    &mut workers,
                    |done, task, buffer: &mut Vec<usize>| {
                        done.push(task);
                        buffer.push(task);
                    },
                    |task, buffer| {
                        buffers += usize::from(buffer.len() == 1);
                        assert_eq!(buffer.last(), Some(&task));
                        taken.push(task);
                    },
                );
                assert_eq!(taken, (0..tasks).collect::<Vec<_>>());
                assert!(buffers <= AHEAD * count, "{buffers} buffers");
                for (worker, done) in workers.iter().enumerate() {
                    let own = (worker..tasks).step_by(count);
                    assert_eq!(*done, own.collect::<Vec<_>>());
                }
            }
        }
    }

    #[test]
    fn every_task_is_taken_once_and_in_order_and_few_buffers_go_round() {
        tasks_are_taken_in_order();
    }

    #[test]
    fn calls_at_once_and_one_within_another_do_not_wait_for_each_other() {
        std::thread::scope(|scope| {
            for _ in 0..4 {
                scope.spawn(tasks_are_taken_in_order);
            }
        });
        in_order(
            9,
            &mut [(), ()],
            |(), _, (): &mut ()| tasks_are_taken_in_order(),
            |_, ()| tasks_are_taken_in_order(),
        );
    }

    #[test]
    fn things_keep_their_order() {
        for count in [0, 1, 3, 4, 100] {
            let all: Vec<usize> = (0..count).collect();
            let mut squares = Vec::new();
            let work = |one: &usize, some: &mut Vec<usize>| some.push(one * one);
            each_in_order(&all, 3, work, |some| squares.append(some));
            assert_eq!(squares, all.iter().map(|one| one * one).collect::<Vec<_>>());
        }
    }

    #[test]
    #[should_panic(expected = "told to")]
    fn a_worker_that_panics_leaves_nobody_waiting() {
        let work = |(): &mut (), task: usize, (): &mut ()| assert!(task < 20, "told to");
        in_order(100, &mut [(), ()], work, |_, ()| {});
    }

    #[test]
    #[should_panic(expected = "no more")]
    fn nor_does_one_who_takes() {
        let take = |task: usize, (): &mut ()| assert!(task < 20, "no more");
        in_order(100, &mut [(), ()], |(), _, ()| {}, take);
    }
}
