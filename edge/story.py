"""What happens to the simulated plant while nobody looks: the stories of the demo.

A story is a generator that is resumed after every step of the plant and changes its faults. To
add one: a function here, and a line in STORIES.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

from edge.plant.plant import Plant

Story = Callable[[Plant], Iterator[None]]


def _wait(plant: Plant, hours: float) -> Iterator[None]:
    until_s = plant.t_s + hours * 3600.0
    while plant.t_s < until_s:
        yield


def _wait_for_run(plant: Plant, running: int) -> Iterator[None]:
    while plant.running != running:
        yield


def nothing(_plant: Plant) -> Iterator[None]:
    """An ordinary plant: it cycles, and all is well."""
    while True:
        yield


def depot(plant: Plant) -> Iterator[None]:
    """A leak larger than production, found and mended; later the valve is left in bypass.

    The leak lasts 1.6 h from the third hour; the bypass spans one run of the generator. Then a
    quiet while, and all over again.
    """
    while True:
        yield from _wait(plant, 3.0)
        plant.extra_loss_l_min = 1.6 * plant.parameters.production_l_min
        yield from _wait(plant, 1.6)
        plant.extra_loss_l_min = 0.0

        yield from _wait_for_run(plant, 1)
        yield from _wait_for_run(plant, 0)
        plant.bypass = True
        yield from _wait_for_run(plant, 1)
        yield from _wait_for_run(plant, 0)
        yield from _wait(plant, 1.0)
        plant.bypass = False

        for _ in range(3):
            yield from _wait_for_run(plant, 1)
            yield from _wait_for_run(plant, 0)


def visit(plant: Plant) -> Iterator[None]:
    """A new supply before its hand-over: the systems are empty and valved off, and a compressor
    stands behind the bypass that can fill them in half an hour. Whatever else happens is done by
    hand (edge.demo.hands)."""
    plant.parameters = replace(plant.parameters, bypass_flow=14.0)
    for system in plant.systems.values():
        system.device = "shut"
        system.moles *= plant.barometer_kpa / (system.pressure_kpa + plant.barometer_kpa)
    yield from nothing(plant)


STORIES: Mapping[str, Story] = {"": nothing, "depot": depot, "visit": visit}
"""By the address of a simulated input: `simulated` or `simulated:depot`."""
