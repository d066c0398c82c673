//! How many sheets may be in flight: a budget of bytes.

use std::sync::{Condvar, Mutex, PoisonError};

/// A budget that work takes from and gives back to.
#[derive(Debug)]
pub(crate) struct Budget {
    total: u64,
    free: Mutex<u64>,
    returned: Condvar,
}

/// A share of the budget; dropped, it goes back.
#[derive(Debug)]
pub(crate) struct Share<'a> {
    budget: &'a Budget,
    bytes: u64,
}

impl Budget {
    pub(crate) fn new(total: u64) -> Self {
        Self {
            total,
            free: Mutex::new(total),
            returned: Condvar::new(),
        }
    }

    /// Whether something of that size could ever be done.
    pub(crate) fn holds(&self, bytes: u64) -> bool {
        bytes <= self.total
    }

    /// Waits until that much is free and takes it; at most the whole budget.
    /// Called by the one thread that hands out work, never inside work, so that
    /// no work waits for other work.
    pub(crate) fn take(&self, bytes: u64) -> Share<'_> {
        let bytes = bytes.min(self.total);
        let mut free = self.free.lock().unwrap_or_else(PoisonError::into_inner);
        while *free < bytes {
            free = self
                .returned
                .wait(free)
                .unwrap_or_else(PoisonError::into_inner);
        }
        *free -= bytes;
        Share {
            budget: self,
            bytes,
        }
    }
}

impl Drop for Share<'_> {
    fn drop(&mut self) {
        *self
            .budget
            .free
            .lock()
            .unwrap_or_else(PoisonError::into_inner) += self.bytes;
        self.budget.returned.notify_all();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicU64, Ordering};

    #[test]
    fn no_more_than_the_budget_is_ever_out() {
        let budget = Budget::new(100);
        let out = AtomicU64::new(0);
        let most = AtomicU64::new(0);
        std::thread::scope(|s| {
            for bytes in [60, 30, 50, 100, 10, 90, 40] {
                let share = budget.take(bytes);
                let (out, most) = (&out, &most);
                s.spawn(move || {
                    let now = out.fetch_add(bytes, Ordering::SeqCst) + bytes;
                    most.fetch_max(now, Ordering::SeqCst);
                    std::thread::yield_now();
                    out.fetch_sub(bytes, Ordering::SeqCst);
                    drop(share);
                });
            }
        });
        assert!(most.load(Ordering::SeqCst) <= 100);
        assert!(!budget.holds(101) && budget.holds(100));
    }
}
