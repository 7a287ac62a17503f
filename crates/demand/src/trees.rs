//! Regression trees over binned features, grown greedily by squared error.
//!
//! The building block of the model across parts. Breiman, Friedman, Olshen and Stone (1984),
//! Classification and Regression Trees; binned as in Ke and others (2017), Advances in Neural
//! Information Processing Systems 30, 3146-3154. Written here because what is needed is small: the
//! leaf's members, not only its mean, are what a distribution is read from.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;

/// Bins of a feature, at most.
const BINS: usize = 64;

/// Features of many rows, each cut into at most 64 bins of like numbers of rows.
#[derive(Clone, Debug)]
pub struct BinnedTable {
    /// Row-major: `bins[row · features + feature]`.
    bins: Vec<u8>,
    /// Upper edges of the bins of each feature; a value belongs to the first edge not below it.
    edges: Vec<Vec<f32>>,
}

impl BinnedTable {
    /// Cuts `values` (row-major, `features` a row, none NaN) into bins.
    pub fn new(values: &[f32], features: usize) -> Self {
        let edges: Vec<Vec<f32>> =
            (0..features).map(|feature| cut_edges(values, features, feature)).collect();
        let mut bins = Vec::with_capacity(values.len());
        for row in values.chunks_exact(features) {
            bins.extend(row.iter().zip(&edges).map(|(value, edges)| bin_of(*value, edges)));
        }
        Self { bins, edges }
    }

    fn features(&self) -> usize {
        self.edges.len()
    }
}

fn bin_of(value: f32, edges: &[f32]) -> u8 {
    edges.partition_point(|edge| *edge < value) as u8
}

/// Edges between distinct values at like numbers of rows, from at most 20,000 of them.
fn cut_edges(values: &[f32], features: usize, feature: usize) -> Vec<f32> {
    let rows = values.len() / features;
    let stride = rows.div_ceil(20_000).max(1);
    let mut sorted: Vec<f32> =
        (0..rows).step_by(stride).map(|row| values[row * features + feature]).collect();
    sorted.sort_unstable_by(f32::total_cmp);
    let mut edges: Vec<f32> = Vec::with_capacity(BINS);
    for cut in 1..BINS {
        let Some(&edge) = sorted.get(cut * sorted.len() / BINS) else { continue };
        if edges.last().is_none_or(|last| edge > *last) {
            edges.push(edge);
        }
    }
    // A value above every edge has the last bin.
    edges
}

/// How a tree is grown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Growth {
    pub depth: usize,
    /// Rows a leaf keeps at least.
    pub leaf: usize,
    /// Features looked at per split.
    pub tried: usize,
}

#[derive(Clone, Copy, Debug)]
enum Node {
    Split { feature: u32, edge: f32, right: u32 },
    Leaf { number: u32 },
}

/// A grown tree. Left child follows its parent; the right one is named.
#[derive(Clone, Debug)]
pub struct Tree {
    nodes: Vec<Node>,
    /// Rows of each leaf, one leaf after another.
    members: Vec<u32>,
    /// Where each leaf's rows start; one entry more than leaves.
    starts: Vec<u32>,
}

impl Tree {
    /// Grows a tree on `rows` of `table` towards `targets` (one per row of the table).
    pub fn grow(
        table: &BinnedTable,
        rows: &mut [u32],
        targets: &[f32],
        growth: Growth,
        random: &mut ChaCha8Rng,
    ) -> Self {
        let tree =
            Self { nodes: Vec::new(), members: Vec::with_capacity(rows.len()), starts: vec![0] };
        let order = (0..table.features() as u32).collect();
        let mut grower = Grower { table, targets, growth, tree, order };
        grower.split(rows, 0, random);
        grower.tree
    }

    /// Number of the leaf a feature vector falls into.
    pub fn leaf(&self, features: &[f32]) -> usize {
        let mut node = 0;
        loop {
            match self.nodes[node] {
                Node::Leaf { number } => return number as usize,
                Node::Split { feature, edge, right, .. } => {
                    node =
                        if features[feature as usize] <= edge { node + 1 } else { right as usize };
                }
            }
        }
    }

    /// Rows of a leaf.
    pub fn members(&self, leaf: usize) -> &[u32] {
        &self.members[self.starts[leaf] as usize..self.starts[leaf + 1] as usize]
    }

    /// Number of leaves.
    pub fn leaves(&self) -> usize {
        self.starts.len() - 1
    }
}

struct Grower<'a> {
    table: &'a BinnedTable,
    targets: &'a [f32],
    growth: Growth,
    tree: Tree,
    order: Vec<u32>,
}

impl Grower<'_> {
    fn split(&mut self, rows: &mut [u32], depth: usize, random: &mut ChaCha8Rng) {
        let best = if depth < self.growth.depth && rows.len() >= 2 * self.growth.leaf {
            self.best_split(rows, random)
        } else {
            None
        };
        let Some((feature, bin)) = best else {
            let number = self.tree.leaves() as u32;
            self.tree.nodes.push(Node::Leaf { number });
            self.tree.members.extend_from_slice(rows);
            self.tree.starts.push(self.tree.members.len() as u32);
            return;
        };
        let width = self.table.features();
        let bins = &self.table.bins;
        let middle = partition(rows, |row| bins[row as usize * width + feature] <= bin);
        let place = self.tree.nodes.len();
        let edge = self.table.edges[feature][bin as usize];
        self.tree.nodes.push(Node::Split { feature: feature as u32, edge, right: 0 });
        let (left, right) = rows.split_at_mut(middle);
        self.split(left, depth + 1, random);
        let next = self.tree.nodes.len() as u32;
        self.tree.nodes[place] = Node::Split { feature: feature as u32, edge, right: next };
        self.split(right, depth + 1, random);
    }

    /// The feature and last left bin with the largest fall in squared error.
    fn best_split(&mut self, rows: &[u32], random: &mut ChaCha8Rng) -> Option<(usize, u8)> {
        let width = self.table.features();
        let total: f64 = rows.iter().map(|&row| f64::from(self.targets[row as usize])).sum();
        let count = rows.len() as f64;
        let least = self.growth.leaf as u32;
        let mut best = (1e-9 + total * total / count, None);
        // The first `tried` of a shuffle, drawn as they are needed.
        for turn in 0..self.growth.tried.min(width) {
            let other = random.random_range(turn..width);
            self.order.swap(turn, other);
            let feature = self.order[turn] as usize;
            let mut sums = [0.0_f32; BINS];
            let mut counts = [0_u32; BINS];
            for &row in rows {
                let bin = self.table.bins[row as usize * width + feature] as usize;
                sums[bin] += self.targets[row as usize];
                counts[bin] += 1;
            }
            let (mut left, mut left_count) = (0.0_f64, 0_u32);
            for bin in 0..self.table.edges[feature].len() {
                left += f64::from(sums[bin]);
                left_count += counts[bin];
                let right_count = rows.len() as u32 - left_count;
                if left_count < least || counts[bin] == 0 {
                    continue;
                }
                if right_count < least {
                    break;
                }
                let right = total - left;
                let gain =
                    left * left / f64::from(left_count) + right * right / f64::from(right_count);
                if gain > best.0 {
                    best = (gain, Some((feature, bin as u8)));
                }
            }
        }
        best.1
    }
}

/// Moves rows with `left` to the front, keeping no order; returns how many.
fn partition(rows: &mut [u32], left: impl Fn(u32) -> bool) -> usize {
    let mut middle = 0;
    for index in 0..rows.len() {
        if left(rows[index]) {
            rows.swap(index, middle);
            middle += 1;
        }
    }
    middle
}
