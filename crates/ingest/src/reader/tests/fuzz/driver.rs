//! Replays a corpus and mutates it, from a fixed seed.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::{Duration, Instant};

/// Inputs to start from, and how many mutations of them a normal test run tries.
pub(super) struct Corpus {
    pub(super) inputs: Vec<&'static [u8]>,
    pub(super) n_mutations: u64,
}

/// No input grows beyond this.
const MAX_BYTES: usize = 1 << 14;

/// What breaks parsers of this trade's files.
const TOKENS: [&str; 60] = [
    "\"",
    "\"\"",
    ",",
    ";",
    "\t",
    "|",
    "\n",
    "\r\n",
    "\r",
    " ",
    "\u{a0}",
    "\u{202f}",
    "\u{feff}",
    "\u{fffd}",
    "\0",
    "-",
    "--",
    "–",
    "−",
    "+",
    ".",
    "..",
    "'",
    "/",
    "%",
    "(",
    ")",
    ":",
    "=",
    "<",
    "≤",
    ">",
    "≥",
    "~",
    "*",
    "0",
    "00",
    "1",
    "28",
    "29",
    "99999999999999999999",
    "1e999",
    "1e-9",
    "nan",
    "inf",
    "N/D",
    "TNTC",
    "QNS",
    "BDL(20)",
    ">28",
    "ppm",
    "°F",
    "#VALUE!",
    "2026-11-01 01:30",
    "2026-03-08 02:30",
    "24:00",
    "Z",
    "+99:99",
    "U-1",
    "é",
];

/// Runs the corpus, then mutations: a fixed number, or for `DRYDOWN_FUZZ_SECONDS`; prints how many.
pub(super) fn run(corpus: &Corpus, body: fn(&[u8])) {
    assert!(!corpus.inputs.is_empty());
    for input in &corpus.inputs {
        guard(input, body);
    }
    let seconds = std::env::var("DRYDOWN_FUZZ_SECONDS")
        .ok()
        .and_then(|text| text.parse().ok())
        .map(Duration::from_secs);
    let begun = Instant::now();
    let mut n = 0;
    loop {
        let go_on = match seconds {
            Some(seconds) => begun.elapsed() < seconds,
            None => n < corpus.n_mutations,
        };
        if !go_on {
            let thread = std::thread::current();
            let body = thread.name().and_then(|name| name.rsplit("::").next());
            println!(
                "{}: {} inputs, {n} mutations in {:.0} s",
                body.unwrap_or("fuzz"),
                corpus.inputs.len(),
                begun.elapsed().as_secs_f64()
            );
            return;
        }
        // Every mutation has a seed of its own, so that a failure depends on nothing before it.
        let mut random = Random(0x00d2_1d0e_u64.wrapping_add(n));
        guard(&mutated(&mut random, &corpus.inputs), body);
        n += 1;
    }
}

/// Runs the body; a panic says for which input.
fn guard(input: &[u8], body: fn(&[u8])) {
    if catch_unwind(AssertUnwindSafe(|| body(input))).is_err() {
        panic!("the input was b\"{}\"", input.escape_ascii());
    }
}

fn mutated(random: &mut Random, inputs: &[&'static [u8]]) -> Vec<u8> {
    let mut bytes = inputs[random.below(inputs.len())].to_vec();
    for _ in 0..=random.below(5) {
        let (from, to) = random.range(bytes.len());
        match random.below(8) {
            0 if !bytes.is_empty() => {
                let place = random.below(bytes.len());
                bytes[place] = random.next().to_le_bytes()[0];
            }
            1 if !bytes.is_empty() => {
                let place = random.below(bytes.len());
                bytes[place] ^= 1 << random.below(8);
            }
            2 => {
                bytes.drain(from..to);
            }
            3 => {
                let again = bytes[from..to].to_vec();
                bytes.splice(to..to, again);
            }
            4 => {
                let other = inputs[random.below(inputs.len())];
                let (start, end) = random.range(other.len());
                bytes.splice(from..to, other[start..end].iter().copied());
            }
            5 => bytes.truncate(from),
            _ => {
                let token = TOKENS[random.below(TOKENS.len())].as_bytes();
                let end = if random.below(2) == 0 {
                    from
                } else {
                    to.min(from + 4)
                };
                bytes.splice(from..end, token.iter().copied());
            }
        }
        bytes.truncate(MAX_BYTES);
    }
    bytes
}

/// SplitMix64 (Steele, Lea and Flood, OOPSLA 2014).
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, n: usize) -> usize {
        usize::try_from(self.next() % n.max(1) as u64).unwrap()
    }

    /// A range of `0..len`, most often a short one.
    fn range(&mut self, len: usize) -> (usize, usize) {
        let from = self.below(len + 1);
        let reach = if self.below(4) == 0 { len } else { 6 };
        let to = from + self.below(reach.min(len - from) + 1);
        (from, to)
    }
}
