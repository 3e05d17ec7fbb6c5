"""Worlds that judge the motion and the launches: cars and receivers made apart from the project's own simulator.

Nothing here may be used to choose a constant of the program, and nothing here was chosen to suit the program.

    car.py        a car, its driver and its launches, integrated at 1 kHz; exact truth
    receiver.py   what a receiver makes of it
    worlds.py     the table of worlds
    bars.py       what a world is held to
    judge.py      python -m worlds.judge [WORLD...] [--runs N]            (from tests/)
    scenes.py     python -m worlds.scenes [SCENE...]      short stops, roll-backs, traffic, pinned positions, a pause
"""

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
