"""The real daemon in fast time on a simulated plant whose line a technician has closed:
python closed_line.py SPEED SETTINGS STATE RUNTIME

Two stories beside the demo's. In both the devices are shut once the generator has made one run;
then the line is tight, or has a leak that takes several psi an hour.
"""

import sys
from collections.abc import Iterator
from pathlib import Path

from edge import story
from edge.demo.monitor import serve
from edge.plant.plant import Plant


def _closed(plant: Plant, leak_l_min: float) -> Iterator[None]:
    while not plant.running:
        yield
    for system in plant.systems.values():
        system.device = "shut"
    plant.extra_loss_l_min = leak_l_min - plant.parameters.loss_l_min
    while True:
        yield


def tight(plant: Plant) -> Iterator[None]:
    yield from _closed(plant, 0.0)


def leaking(plant: Plant) -> Iterator[None]:
    yield from _closed(plant, 7.0)


if __name__ == "__main__":
    story.STORIES = {**story.STORIES, "tight": tight, "leaking": leaking}
    from edge.sensors import simulated

    simulated.STORIES = story.STORIES
    serve(float(sys.argv[1]), *map(Path, sys.argv[2:5]))
