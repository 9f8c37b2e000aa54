"""The board's pages, as they are looked at in tests and pictures: of the demo fleet, and of a fleet without cars."""

# Pages that need no car.
EVERYWHERE = [
    "/board",
    "/board/day",
    "/board/calendars",
    "/board/cars",
    "/board/packs",
    "/board/cost",
    "/board/hindsight",
    "/board/work",
    "/board/gear",
    "/board/cores",
    "/board/rules",
    "/board/import",
    "/board/keys",
    "/board/journal",
]

DEMO = [
    *EVERYWHERE,
    "/board?depot=VB",
    "/board/day?depot=VB",
    "/board/cars?band=past",
    "/board/cars/V104",
    "/board/cars/V104?days_per_week=4&hours_per_day=8&off_from=2030-01-07&off_to=2030-01-13&readings=all&history=all",
    "/board/cars/V119",
    "/board/cars/V134",
    "/board/packs?band=degraded",
    "/board/journal?part=rule",
]
