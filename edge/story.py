"""What happens to the simulated plant while nobody looks: the stories of the demo.

A story is a generator that is resumed after every step of the plant and changes its faults. To
add one: a function here, and a line in STORIES.
"""

from collections.abc import Callable, Iterator, Mapping

from edge.plant import Plant

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


STORIES: Mapping[str, Story] = {"": nothing, "depot": depot}
"""By the address of a simulated input: `simulated` or `simulated:depot`."""
