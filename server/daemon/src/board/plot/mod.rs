//! Plots: SVG that fits its room, with a title, a description and the same numbers in a table beside it.
//!
//! Places along x are percent of the width, so that text and points keep their size on every screen; lines and areas
//! are drawn in a field of its own that is stretched. Colours and patterns are the style sheet's, by class; colour is
//! never alone: each series has its own mark or stroke, and its name in the key.

mod scale;

use maud::{Markup, html};

pub(super) use scale::{Scale, day_place};

/// One of the series' looks in the style sheet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Look {
    /// Blue; circles, a full line.
    First,
    /// Vermillion; diamonds, a long-dashed line.
    Second,
    /// Black; squares, a thin line.
    Plain,
    /// A soft area, for a window or a spread.
    Soft,
    /// Black; a large triangle, for the one that the page is about.
    Own,
}

impl Look {
    const fn class(self) -> &'static str {
        match self {
            Self::First => "look-1",
            Self::Second => "look-2",
            Self::Plain => "look-plain",
            Self::Soft => "look-soft",
            Self::Own => "look-own",
        }
    }
}

/// What is drawn of a series; values are in the units of the scales.
#[derive(Clone, Debug)]
pub(super) enum Shape {
    /// A line through points.
    Line(Vec<(f64, f64)>),
    /// The same in steps: each value holds until the next point.
    Step(Vec<(f64, f64)>),
    /// Single points.
    Points(Vec<(f64, f64)>),
    /// An area between a lower and an upper line: x, lower, upper.
    Band(Vec<(f64, f64, f64)>),
    /// Bars from zero, so wide in units of x: x, value.
    Bars(Vec<(f64, f64)>, f64),
    /// Ranges with their middles: x, lower, middle, upper.
    Ranges(Vec<(f64, f64, f64, f64)>),
    /// All of x between two values, such as a window.
    Stretch(f64, f64),
    /// A value at all of x, such as a limit.
    Level(f64),
    /// One place along x at all values, such as today.
    Moment(f64),
}

/// A series with its name in the key.
#[derive(Clone, Debug)]
pub(super) struct Series {
    pub name: String,
    pub look: Look,
    pub shape: Shape,
}

impl Series {
    pub(super) fn new(name: impl Into<String>, look: Look, shape: Shape) -> Self {
        Self { name: name.into(), look, shape }
    }
}

/// The numbers of a plot.
#[derive(Clone, Debug, Default)]
pub(super) struct Table {
    pub head: Vec<String>,
    pub rows: Vec<Vec<String>>,
}

impl Table {
    /// The table under a name that no other has on its page; its first column names the row, the others are numbers.
    pub(super) fn drawn(&self, name: &str) -> Markup {
        html! {
            section.scroll tabindex="0" aria-label=(name) {
                table.numbers {
                    thead { tr { @for cell in &self.head { th scope="col" { (cell) } } } }
                    tbody {
                        @for row in &self.rows {
                            tr {
                                @for (place, cell) in row.iter().enumerate() {
                                    @if place == 0 { th scope="row" { (cell) } } @else { td { (cell) } }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// A plot.
#[derive(Clone, Debug)]
pub(super) struct Plot {
    /// Unique on its page.
    pub id: String,
    pub title: String,
    /// What there is to see, in a sentence.
    pub says: String,
    pub x: Scale,
    pub y: Scale,
    pub series: Vec<Series>,
    /// Without rows where the page has the numbers in a table of its own.
    pub table: Table,
}

/// Height of the field, of the room above it and of that below it for the ticks, in pixels.
const FIELD: f64 = 220.0;
const ABOVE: f64 = 16.0;
const BELOW: f64 = 26.0;

/// Side of the field in which lines and areas are drawn before it is stretched.
const SIDE: f64 = 1000.0;

/// Room at either side, in percent of the width.
const INSET: f64 = 2.0;

impl Plot {
    /// The figure: plot, key, table.
    pub(super) fn drawn(&self) -> Markup {
        let (title, desc) = (format!("{}-title", self.id), format!("{}-desc", self.id));
        html! {
            figure.plot-figure {
                figcaption { strong { (self.title) } " " span { (self.says) } }
                svg.plot width="100%" height=(ABOVE + FIELD + BELOW) role="img" aria-labelledby={ (title) " " (desc) } {
                    title id=(title) { (self.title) }
                    desc id=(desc) { (self.says) }
                    (self.grid())
                    @for series in &self.series { (self.series(series)) }
                    (self.ticks())
                }
                ul.key { @for series in &self.series { @if !series.name.is_empty() { li { (swatch(series)) (series.name) } } } }
                @if !self.table.rows.is_empty() {
                    details { summary { "The numbers" } (self.table.drawn(&format!("The numbers: {}", self.title))) }
                }
            }
        }
    }

    /// Percent of the width.
    fn across(&self, x: f64) -> f64 {
        INSET + (100.0 - 2.0 * INSET) * self.x.share(x)
    }

    /// Pixels from the top.
    fn down(&self, y: f64) -> f64 {
        ABOVE + FIELD * (1.0 - self.y.share(y))
    }

    fn grid(&self) -> Markup {
        html! {
            @for (value, _) in &self.y.ticks {
                line.grid x1="0" x2="100%" y1=(px(self.down(*value))) y2=(px(self.down(*value))) {}
            }
        }
    }

    /// Numbers stand in the field on their grid lines, so that they need no margin; days stand below it.
    fn ticks(&self) -> Markup {
        html! {
            @for (value, label) in &self.y.ticks {
                text.tick x="0" y=(px(self.down(*value) - 4.0)) { (label) }
            }
            @for (place, (value, label)) in self.x.ticks.iter().enumerate() {
                @let across = self.across(*value);
                g class=(if place % 2 == 1 { "odd" } else { "even" }) {
                    line.grid x1=(percent(across)) x2=(percent(across)) y1=(px(ABOVE + FIELD)) y2=(px(ABOVE + FIELD + 5.0)) {}
                    text.tick x=(percent(across)) y=(px(ABOVE + FIELD + 20.0)) text-anchor=(anchor(across)) { (label) }
                }
            }
        }
    }

    fn series(&self, series: &Series) -> Markup {
        let class = series.look.class();
        match &series.shape {
            Shape::Line(points) => self.path(class, "stroke", &self.along(points)),
            Shape::Step(points) => self.path(class, "stroke", &self.along(&stepped(points))),
            Shape::Points(points) => html! { @for (x, y) in points { (self.mark(series.look, *x, *y)) } },
            Shape::Band(points) => self.path(class, "area", &self.around(points)),
            Shape::Bars(bars, width) => html! { @for (x, y) in bars { (self.bar(class, *x, *y, *width)) } },
            Shape::Ranges(ranges) => html! {
                @for (x, low, middle, high) in ranges {
                    @let across = percent(self.across(*x));
                    line class={ "range " (class) } x1=(across) x2=(across) y1=(px(self.down(*low))) y2=(px(self.down(*high))) {}
                    (self.mark(series.look, *x, *middle))
                }
            },
            Shape::Stretch(low, high) => {
                let (top, bottom) = (self.down(*high), self.down(*low));
                html! { rect class={ "area " (class) } x="0" width="100%" y=(px(top)) height=(px((bottom - top).max(0.0))) {} }
            }
            Shape::Level(y) => {
                let down = px(self.down(*y));
                html! { line class={ "stroke " (class) } x1="0" x2="100%" y1=(down) y2=(down) {} }
            }
            Shape::Moment(x) => {
                let across = percent(self.across(*x));
                html! { line class={ "stroke moment " (class) } x1=(across) x2=(across) y1=(ABOVE) y2=(ABOVE + FIELD) {} }
            }
        }
    }

    fn bar(&self, class: &str, x: f64, y: f64, width: f64) -> Markup {
        let (left, right) = (self.across(x - width / 2.0), self.across(x + width / 2.0));
        let (top, foot) = (self.down(y), self.down(0.0));
        html! {
            rect class={ "area " (class) } x=(percent(left)) width=(percent((right - left).max(0.1)))
                y=(px(top)) height=(px((foot - top).max(0.0))) {}
        }
    }

    fn mark(&self, look: Look, x: f64, y: f64) -> Markup {
        html! {
            svg x=(percent(self.across(x))) y=(px(self.down(y))) overflow="visible" {
                path class={ "mark " (look.class()) } d=(mark_of(look)) {}
            }
        }
    }

    /// A path in the stretched field.
    fn path(&self, class: &str, kind: &str, path: &str) -> Markup {
        html! {
            svg x={ (INSET) "%" } width={ (100.0 - 2.0 * INSET) "%" } y=(ABOVE) height=(FIELD)
                viewBox={ "0 0 " (SIDE) " " (SIDE) } preserveAspectRatio="none" overflow="visible" {
                path class={ (kind) " " (class) } d=(path) vector-effect="non-scaling-stroke" {}
            }
        }
    }

    fn spot(&self, x: f64, y: f64) -> String {
        format!("{:.1} {:.1}", SIDE * self.x.share(x), SIDE * (1.0 - self.y.share(y)))
    }

    fn along(&self, points: &[(f64, f64)]) -> String {
        let spots: Vec<String> = points.iter().map(|(x, y)| self.spot(*x, *y)).collect();
        if spots.is_empty() { String::new() } else { format!("M{}", spots.join("L")) }
    }

    fn around(&self, points: &[(f64, f64, f64)]) -> String {
        let upper = points.iter().map(|(x, _, high)| (*x, *high));
        let lower = points.iter().rev().map(|(x, low, _)| (*x, *low));
        let path = self.along(&upper.chain(lower).collect::<Vec<_>>());
        if path.is_empty() { path } else { format!("{path}z") }
    }
}

fn stepped(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let mut steps: Vec<(f64, f64)> = Vec::with_capacity(points.len() * 2);
    for (x, y) in points {
        steps.extend(steps.last().copied().map(|(_, before)| (*x, before)));
        steps.push((*x, *y));
    }
    steps
}

const fn mark_of(look: Look) -> &'static str {
    match look {
        Look::First => "M-5 0a5 5 0 1 0 10 0a5 5 0 1 0-10 0z",
        Look::Second => "M0-7 7 0 0 7-7 0z",
        Look::Plain | Look::Soft => "M-4-4h8v8h-8z",
        Look::Own => "M0-10 9 7H-9z",
    }
}

fn swatch(series: &Series) -> Markup {
    let class = series.look.class();
    html! {
        svg.plot width="24" height="18" aria-hidden="true" {
            @match series.shape {
                Shape::Band(_) | Shape::Bars(..) | Shape::Stretch(..) => rect class={ "area " (class) } x="1" y="3" width="22" height="12" {},
                Shape::Points(_) => (swatch_mark(series.look)),
                Shape::Ranges(_) => { line class={ "range " (class) } x1="12" x2="12" y1="0" y2="18" {} (swatch_mark(series.look)) }
                Shape::Line(_) | Shape::Step(_) | Shape::Level(_) => line class={ "stroke " (class) } x1="0" x2="24" y1="9" y2="9" {},
                Shape::Moment(_) => line class={ "stroke moment " (class) } x1="12" x2="12" y1="0" y2="18" {},
            }
        }
    }
}

fn swatch_mark(look: Look) -> Markup {
    html! { svg x="12" y="9" overflow="visible" { path class={ "mark " (look.class()) } d=(mark_of(look)) {} } }
}

fn anchor(across: f64) -> &'static str {
    if across < 6.0 {
        "start"
    } else if across > 94.0 {
        "end"
    } else {
        "middle"
    }
}

fn px(pixels: f64) -> String {
    format!("{pixels:.1}")
}

fn percent(share: f64) -> String {
    format!("{share:.2}%")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plot(series: Vec<Series>) -> String {
        let plot = Plot {
            id: "p".to_owned(),
            title: "Cars <a week>".to_owned(),
            says: "More each week.".to_owned(),
            x: Scale::numbers(0.0, 10.0),
            y: Scale::numbers(0.0, 20.0),
            series,
            table: Table { head: vec!["Week".to_owned()], rows: vec![vec!["1".to_owned()]] },
        };
        plot.drawn().into_string()
    }

    #[test]
    fn a_plot_is_named_and_has_its_numbers_beside_it() {
        let text = plot(vec![Series::new("cars", Look::First, Shape::Line(vec![(0.0, 0.0), (10.0, 20.0)]))]);
        assert!(text.contains(r#"role="img" aria-labelledby="p-title p-desc""#), "{text}");
        assert!(text.contains("<title id=\"p-title\">Cars &lt;a week&gt;</title>"), "{text}");
        assert!(text.contains("M0.0 1000.0L1000.0 0.0"), "{text}");
        assert!(text.contains("<th scope=\"row\">1</th>"), "{text}");
        assert!(!text.contains("style="), "{text}");
    }

    #[test]
    fn steps_hold_their_value_and_areas_close() {
        assert_eq!(stepped(&[(0.0, 1.0), (2.0, 3.0)]), [(0.0, 1.0), (2.0, 1.0), (2.0, 3.0)]);
        let text =
            plot(vec![Series::new("spread", Look::Soft, Shape::Band(vec![(0.0, 0.0, 20.0), (10.0, 10.0, 10.0)]))]);
        assert!(text.contains("M0.0 0.0L1000.0 500.0L1000.0 500.0L0.0 1000.0z"), "{text}");
    }
}
