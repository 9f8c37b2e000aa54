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
    assert any(row.split()[-1] == queue[0].split()[0] for row in due), "the first order is of one of those cars"

    by_hand = section(done.stdout, "The same by hand")
    assert by_hand[0].startswith("export VENTMILE_KEY=vm_")
    curls = by_hand[1:]
    assert len(curls) >= 3
    assert all(line.startswith("curl ") for line in curls)
    for path in ("/v1/upcoming", "/v1/work-orders", "/forecast"):
        assert any(path in line for line in curls)


def test_nothing_of_the_demo_is_wrong(tmp_path):
    done = run("demo", "--once", "--listen", "127.0.0.1:0", cwd=tmp_path)
    loaded = re.findall(r"^  (\S.*?) +stored +(\d+),", done.stdout, re.M)
    logs = ["vehicles", "past services", "odometer readings", "duty logs", "seat logs"]
    assert [name for name, _ in loaded] == logs
    assert all(int(stored) > 0 for _, stored in loaded)
    assert not re.search(r"ERROR|WARN|panicked", done.stderr), done.stderr
