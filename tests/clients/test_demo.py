"""The demo: what somebody sees who has just built the program."""

import re

from daemon import run


def section(text, start):
    """The indented lines below the line that begins so."""
    lines = text.split(start, 1)[1].splitlines()[1:]
    found = []
    for line in lines:
        if line.startswith("  "):
            found.append(line.strip())
        elif line.strip():
            break
    return found


def test_the_demo_shows_what_to_look_at(engine, new_database, tmp_path):
    # On SQLite the demo makes a file of its own where it is run.
    database = [] if engine == "sqlite" else ["--database", new_database().address]
    done = run("demo", "--once", "--listen", "127.0.0.1:0", *database, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    if engine == "sqlite":
        assert (tmp_path / "ventmile-demo.db").exists()

    head, *due = section(done.stdout, "What to look at now")
    assert head.split()[:4] == ["unit", "depot", "band", "grade"]
    assert len(due) == 10
    assert all(re.fullmatch(r"unknown|before|inside|past", row.split()[2]) for row in due)

    count = int(re.search(r"The open queue: (\d+) work orders", done.stdout)[1])
    queue = section(done.stdout, "The open queue")
    assert len(queue) == min(count, 10) > 0
    assert "P0AA6" in queue[0], "what nobody may touch comes first"
    numbers = {row.split()[0] for row in queue}
    assert any(row.split()[-1] in numbers for row in due), "the first orders are of those cars"

    head, *packs = section(done.stdout, "Packs most at risk")
    assert head.split() == ["unit", "type", "band", "90", "days", "reason"]
    assert len(packs) == 5
    assert any(re.match(r"V110 +L60 +degraded ", row) for row in packs), "the block over its limit"
    assert any("P0AA6" in row for row in packs), "the isolation fault"

    by_hand = section(done.stdout, "The same by hand")
    assert by_hand[0].startswith("export VENTMILE_KEY=vm_")
    curls = by_hand[1:]
    assert len(curls) >= 3
    assert all(line.startswith("curl ") for line in curls)
    for path in ("/v1/upcoming", "/v1/work-orders", "/forecast", "/v1/pack-outlook", "/v1/life-curve", "/pack'"):
        assert any(path in line for line in curls)


def test_nothing_of_the_demo_is_wrong(tmp_path):
    done = run("demo", "--once", "--listen", "127.0.0.1:0", cwd=tmp_path)
    loaded = re.findall(r"^  (\S.*?) +stored +(\d+),", done.stdout, re.M)
    logs = ["vehicles", "past services", "odometer readings", "duty logs", "seat logs", "packs", "pack checks", "trouble codes"]
    assert [name for name, _ in loaded] == logs
    assert all(int(stored) > 0 for _, stored in loaded)
    # What sqlx says of a slow statement or connection is about the machine.
    log = "\n".join(line for line in done.stderr.splitlines() if "WARN sqlx::" not in line)
    assert not re.search(r"ERROR|WARN|panicked", log), log
