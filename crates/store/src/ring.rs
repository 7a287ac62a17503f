//! Ways that lead back to where they begin: a kit that holds itself, a part that follows itself, a
//! task that is contained in itself.

use std::collections::HashSet;
use std::hash::Hash;

/// The way from one to another, both included; `None` where there is none.
pub fn way<'a, I: Copy + Eq + Hash + 'a>(
    from: I,
    to: I,
    next: impl Fn(I) -> Option<&'a Vec<I>>,
) -> Option<Vec<I>> {
    let mut seen = HashSet::from([from]);
    let mut open = vec![vec![from]];
    while let Some(so_far) = open.pop() {
        let last = so_far[so_far.len() - 1];
        if last == to {
            return Some(so_far);
        }
        for &one in next(last).into_iter().flatten() {
            if seen.insert(one) {
                open.push([so_far.as_slice(), &[one]].concat());
            }
        }
    }
    None
}
