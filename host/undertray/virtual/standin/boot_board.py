"""Starts the firmware on the stage, under MicroPython or (by ``twin.py``) under CPython.

The scenario's path is the first argument; ``board.json`` is read from the working directory.
"""

import sys

from hostport import Overheard, ScriptedPort, pipe_port
from simclock import CLOCK
from stage import STAGE, load


def boot(scenario_path, make_port=pipe_port):
    scenario = load(scenario_path)
    if scenario.get("clock") == "simulated":
        CLOCK.simulate(scenario.get("end_us"))
        port = ScriptedPort(
            CLOCK, scenario.get("script", []), scenario.get("deaf_us", []), scenario.get("garbage")
        )
    else:
        port = Overheard(make_port(), STAGE.begin_story)  # every recording has the whole story
    try:
        board = load("board.json")
        STAGE.set(scenario, board if isinstance(board, dict) else {})
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RuntimeError):
        pass  # the firmware itself says what is wrong with board.json
    from undertray.app import run

    try:
        run(port, scenario.get("boot"))
    finally:
        if "trace" in scenario:
            with open(scenario["trace"], "w") as file:
                for at_us, pin, level in STAGE.trace:
                    file.write("{} {} {}\n".format(at_us, pin, int(level)))


if __name__ == "__main__":
    boot(sys.argv[1])
