"""The daemon is killed at random moments under load: nothing that was acknowledged is lost, nothing is done twice or by half."""

import time
from datetime import date, timedelta

from daemon import PATIENCE, wait_until
from load import SETTINGS, Load
from soundness import has_caught_up, is_sound, journal_lines

FIRST = date(2024, 7, 1)


def test_a_killed_daemon_loses_nothing_and_does_nothing_twice(new_daemon, dice, kills):
    daemon = new_daemon(settings=SETTINGS)
    days = [str(FIRST + timedelta(days=number)) for number in range(kills)]
    with Load(daemon, dice.random()) as load:
        load.start(days[0])
        for day in days:
            load.on(day)
            load.go_on()
            time.sleep(dice.uniform(0.02, 0.8))
            load.pause()
            daemon.kill()
            if dice.random() < 0.2:
                # Killed once more while it starts.
                daemon.launch()
                time.sleep(dice.uniform(0, 0.3))
                daemon.kill()
            daemon.start()
            load.gate.wait_parked()
            load.check([day])
            is_sound(daemon)
        load.finish()
        load.check(days)
        client, journal = load.client(), journal_lines(daemon)
        for worker in load.hands():
            worker.check_trail(client, journal)
        for unit in load.workers[0].units:
            assert wait_until(lambda: has_caught_up(client, unit), PATIENCE), unit
        unknown = sum(worker.repeated for worker in load.workers)
        print(f"{kills} kills, {load.answered()} requests answered, {unknown} sent again")
        assert unknown >= kills, "the kills hit nothing that was under way"
    assert "ERROR" not in daemon.log.read_text()
