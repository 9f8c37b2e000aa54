//! A Python process with the libraries that the model is measured against.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use serde_json::{Value, json};

use crate::Result;
use crate::rounds::{Sizes, seconds_a_call};
use crate::table::{Row, median, ratio, time};

/// `reference.py`, asked over its standard input; it ends when that does.
pub struct Python {
    child: Child,
    ask: Option<ChildStdin>,
    answers: BufReader<ChildStdout>,
}

/// A row to be: what is measured, the call of `reference.py` with its input, and how near their values must be.
pub struct Against {
    pub work: &'static str,
    pub call: &'static str,
    pub called: &'static str,
    pub input: Value,
    pub tolerance: f64,
    /// How many times as fast as the call we mean to be.
    pub aim: u32,
}

impl Against {
    fn is_met(&self, found: &[f64], expected: &[f64]) -> bool {
        let near = |(found, expected): (&f64, &f64)| (found - expected).abs() <= self.tolerance * expected.abs();
        found.len() == expected.len() && found.iter().zip(expected).all(near)
    }
}

impl Python {
    pub fn start(python: &Path) -> Result<Self> {
        let mut child =
            Command::new(python).arg("reference.py").stdin(Stdio::piped()).stdout(Stdio::piped()).spawn()?;
        let (ask, answers) = (child.stdin.take(), child.stdout.take().ok_or("no output of Python")?);
        Ok(Self { child, ask, answers: BufReader::new(answers) })
    }

    /// The values of a call, and the seconds it takes.
    fn call(&mut self, against: &Against, sizes: &Sizes) -> Result<(Vec<f64>, f64)> {
        let seconds = sizes.least.as_secs_f64();
        let request = json!({"call": against.call, "input": against.input, "seconds": seconds});
        writeln!(self.ask.as_mut().ok_or("no input of Python")?, "{request}")?;
        let mut line = String::new();
        self.answers.read_line(&mut line)?;
        let answer: Value = serde_json::from_str(&line).map_err(|_| format!("reference.py answered {line:?}"))?;
        let values = || answer["values"].as_array()?.iter().map(Value::as_f64).collect::<Option<Vec<f64>>>();
        let found = values().zip(answer["seconds"].as_f64());
        Ok(found.ok_or_else(|| format!("reference.py answered {line:?}"))?)
    }

    /// Measures `ours` and the call by turns; both must give the same values.
    pub fn row<T: AsRef<[f64]>>(
        &mut self,
        against: Against,
        sizes: &Sizes,
        mut ours: impl FnMut() -> T,
    ) -> Result<Row> {
        eprintln!("measuring {} against {}", against.work, against.called);
        let (mut times, mut reference) = (Vec::new(), Vec::new());
        for _ in 0..sizes.rounds {
            let (found, (expected, seconds)) = (ours(), self.call(&against, sizes)?);
            if !against.is_met(found.as_ref(), &expected) {
                let found = found.as_ref();
                return Err(format!("{}: ours gave {found:?}, {} {expected:?}", against.work, against.called).into());
            }
            times.push(seconds_a_call(sizes.least, &mut ours));
            reference.push(seconds);
        }
        Ok(Row {
            work: against.work.to_owned(),
            ours: time(median(&times)),
            reference: format!("{}: {}", against.called, time(median(&reference))),
            ratio: format!("{} times as fast (aim: {} or more)", ratio(&reference, &times), against.aim),
        })
    }
}

impl Drop for Python {
    fn drop(&mut self) {
        drop(self.ask.take());
        // Nothing can be done about a process that does not end well.
        let _ = self.child.wait();
    }
}
