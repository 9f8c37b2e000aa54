//! Rounds, their medians, and the table.

/// One line of the table.
pub struct Row {
    pub work: String,
    pub ours: String,
    pub reference: String,
    pub ratio: String,
}

/// The given share of the values lies at or below this one.
pub fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let place = (share * sorted.len().saturating_sub(1) as f64).round();
    sorted.get(place as usize).copied().unwrap_or(f64::NAN)
}

pub fn median(values: &[f64]) -> f64 {
    quantile(values, 0.5)
}

/// The median ratio of the rounds, with the least and the greatest.
pub fn ratio(ours: &[f64], reference: &[f64]) -> String {
    let ratios: Vec<f64> = ours.iter().zip(reference).map(|(ours, reference)| ours / reference).collect();
    format!("{:.2} ({:.2} to {:.2})", median(&ratios), quantile(&ratios, 0.0), quantile(&ratios, 1.0))
}

/// A count with its thousands set apart.
pub fn count(value: f64) -> String {
    let digits = format!("{value:.0}");
    let grouped: Vec<&str> =
        digits.as_bytes().rchunks(3).rev().filter_map(|group| std::str::from_utf8(group).ok()).collect();
    grouped.join(",")
}

/// A time in the unit that suits it.
pub fn time(seconds: f64) -> String {
    let (value, unit) = match seconds {
        1.0.. => (seconds, "s"),
        1e-3.. => (seconds * 1e3, "ms"),
        _ => (seconds * 1e6, "µs"),
    };
    format!("{value:.1} {unit}")
}

pub fn print(rows: &[Row]) {
    println!("| work | Ventmile | reference | ratio, median of rounds (least to greatest) |\n|---|---|---|---|");
    for row in rows {
        println!("| {} | {} | {} | {} |", row.work, row.ours, row.reference, row.ratio);
    }
}
