//! The names by which an instance knows things: those that people know, each once.

use std::collections::{HashMap, HashSet};
use std::hash::Hash;

/// Ids to names that differ; where two are called alike, the later ones get a number.
pub fn distinct<I: Copy + Eq + Hash>(all: impl Iterator<Item = (I, String)>) -> HashMap<I, String> {
    let mut taken = HashSet::new();
    let mut names = HashMap::new();
    for (id, wanted) in all {
        let numbered = (2..).map(|number| format!("{wanted} ({number})"));
        let free = std::iter::once(wanted.clone()).chain(numbered).find(|it| !taken.contains(it));
        let name = free.unwrap_or(wanted);
        taken.insert(name.clone());
        names.insert(id, name);
    }
    names
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_that_are_called_alike_keep_apart() {
        let given = ["Wherry", "Wherry (2)", "Wherry"].map(str::to_owned);
        let names = distinct(given.into_iter().enumerate());
        let apart: HashSet<&String> = names.values().collect();
        assert_eq!(apart.len(), 3);
        assert_eq!(names[&2], "Wherry (3)");
    }
}
