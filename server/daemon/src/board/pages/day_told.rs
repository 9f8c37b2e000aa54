//! What came of a report that was told a moment ago.

use chrono::NaiveDate;
use maud::{Markup, html};

use super::{cars, work};
use crate::app::App;
use crate::app::symptoms::{HEAT, SMELL_OR_HEAT};
use crate::board::guard::Visitor;
use crate::board::say;
use crate::store::{BREAKDOWN, EventFilter, EventRecord, StoreError, order_number};

/// A report and what came of it.
#[derive(Clone, Debug)]
pub(super) struct Told {
    unit: String,
    what: String,
    order: Option<String>,
    joined: bool,
    off_road_from: Option<NaiveDate>,
    advice: Option<&'static str>,
}

impl From<EventRecord> for Told {
    fn from(record: EventRecord) -> Self {
        Self {
            advice: (record.what == HEAT).then_some(SMELL_OR_HEAT),
            unit: record.unit,
            what: record.what.replace('-', " "),
            order: record.work_order_id.map(order_number),
            joined: record.joined,
            off_road_from: record.off_road_from,
        }
    }
}

/// How an address names a report.
pub(super) fn name_of(record: &EventRecord) -> String {
    let kind = if record.what == BREAKDOWN { "breakdown" } else { "report" };
    format!("{kind}-{}", record.id)
}

/// The report that an address names; `None` where there is none or the key may not see it.
pub(super) async fn find(app: &App, visitor: &Visitor, name: Option<&str>) -> Result<Option<Told>, StoreError> {
    let Some((kind, id)) = name.and_then(|name| name.split_once('-')) else { return Ok(None) };
    let Some(id) = id.parse::<i64>().ok().filter(|id| *id > 0) else { return Ok(None) };
    let filter = EventFilter {
        breakdowns: kind == "breakdown",
        after: id - 1,
        key_depots_of: visitor.key_depots_of(),
        limit: 1,
        ..EventFilter::default()
    };
    let found = app.store.car_events(&filter).await?.pop();
    Ok(found.filter(|record| record.id == id).map(Told::from))
}

pub(super) fn drawn(told: &Told, today: NaiveDate) -> Markup {
    html! {
        section.told aria-labelledby="told" {
            h2 #told { "Noted: " (told.unit) ", " (told.what) }
            @if let Some(advice) = told.advice { p.fault { "■ Tell the driver now: " (advice) "." } }
            p {
                @match &told.order {
                    Some(order) => {
                        a href=(work::address(order)) { (order) } @if told.joined { ", open already, has it too." } @else { " was raised." }
                    },
                    None => "It calls for no order by itself. ",
                }
                @if let Some(from) = told.off_road_from { " The car is off the road from " (say::dated(from, today)) "." }
                " " a href=(cars::car_address(&told.unit)) { "The car" }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn smell_or_heat_says_what_to_do_at_once() {
        let record = EventRecord {
            id: 31,
            unit: "<7>".to_owned(),
            depot: "N".to_owned(),
            what: HEAT.to_owned(),
            at: "2026-03-18T16:00:00Z".parse().unwrap(),
            told: "x".to_owned(),
            told_by: "31".to_owned(),
            work_order_id: Some(4),
            joined: false,
            off_road_from: None,
        };
        assert_eq!(name_of(&record), "report-31");
        let text = drawn(&Told::from(record), "2026-03-18".parse().unwrap()).into_string();
        assert!(text.contains("passengers out, do not restart") && text.contains("WO-00004</a> was raised"), "{text}");
        assert!(text.contains("&lt;7&gt;") && !text.contains("<7>"), "{text}");
    }
}
