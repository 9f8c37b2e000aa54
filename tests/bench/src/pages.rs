//! The board's pages against the interface's answers to the same questions: the time to the first byte, asked by one person
//! who has signed in as a browser does.

use crate::Result;
use crate::daemon::Daemon;
use crate::database::Database;
use crate::fleet;
use crate::http::Client;
use crate::table::{Row, count, median, ratio, time};
use crate::work::{Sizes, listed, progress};

/// A page, and what answers the same question in JSON; `{unit}` is a car, `{today}` the date.
const PAGES: &[(&str, &str)] = &[
    ("/board", "/v1/upcoming"),
    ("/board/day?depot=BENCH", "/v1/day-lists/{today}?depot=BENCH"),
    ("/board/calendars", "/v1/calendars"),
    ("/board/cars", "/v1/upcoming"),
    ("/board/cars/{unit}", "/v1/vehicles/{unit}/forecast"),
    ("/board/packs", "/v1/pack-outlook"),
    ("/board/cost", "/v1/life-curve"),
    ("/board/hindsight", "/v1/hindsight"),
    ("/board/work", "/v1/work-orders"),
    ("/board/gear", "/v1/gear?due_within=30"),
    ("/board/cores", "/v1/cores"),
    ("/board/rules", "/v1/service-rules"),
    ("/board/keys", "/v1/keys"),
    ("/board/journal", "/v1/journal"),
];

/// What is coming is counted at each look, as by the first person who looks after a while.
const COUNTED_ANEW: &str = "board.count_seconds=0";

/// Looks of a round at each; fewer where each takes its time.
const LOOKS: usize = 15;
const SLOW_LOOKS: usize = 3;

pub async fn all(database: &Database, sizes: &Sizes) -> Result<Vec<Row>> {
    let daemon = listed(database, "board", sizes.cars, sizes.paged_cars).await?;
    let mut rows = Vec::new();
    for pair in PAGES {
        rows.push(measured(&daemon, sizes, *pair, LOOKS).await?);
    }
    drop(daemon);
    let daemon = database.serve("board", &[COUNTED_ANEW]).await?;
    let row = measured(&daemon, sizes, ("/board", "/v1/upcoming"), SLOW_LOOKS).await?;
    rows.push(Row { work: format!("{}, counted anew", row.work), ..row });
    Ok(rows)
}

async fn measured(daemon: &Daemon, sizes: &Sizes, (page, answer): (&str, &str), times: usize) -> Result<Row> {
    let today = chrono::Utc::now().date_naive().to_string();
    let filled = |path: &str| path.replace("{unit}", &fleet::unit(2)).replace("{today}", &today);
    let (ours, reference) = (filled(page), filled(answer));
    progress(page, daemon);
    let (mut browser, mut program) = (daemon.browser().await?, daemon.client().await?);
    looks(&mut browser, &ours, 1).await?;
    looks(&mut program, &reference, 1).await?;
    let (mut own, mut theirs) = (Vec::new(), Vec::new());
    for _ in 0..sizes.rounds {
        own.push(looks(&mut browser, &ours, times).await?);
        theirs.push(looks(&mut program, &reference, times).await?);
    }
    Ok(Row {
        work: format!("first byte of {page}, {} cars", count(sizes.paged_cars as f64)),
        ours: time(median(&own)),
        reference: format!("{answer}: {}", time(median(&theirs))),
        ratio: ratio(&own, &theirs),
    })
}

/// The median time to the first byte of so many looks.
async fn looks(client: &mut Client, path: &str, looks: usize) -> Result<f64> {
    let mut times = Vec::with_capacity(looks);
    for _ in 0..looks {
        times.push(client.first_byte(path).await?);
    }
    Ok(median(&times))
}
