"""What a loss costs in a year, from the site's own numbers."""

from typing import NamedTuple

YEAR_H = 8766.0
"""Hours of a year of 365.25 days."""


class Cost(NamedTuple):
    """Of a year at a steady loss; None where a number that it needs is not told."""

    nitrogen_l: float  # standard litres
    hours: float | None  # of the compressor
    energy_kwh: float | None
    energy_money: float | None
    service_money: float | None
    money: float | None  # of what is known of both


def of_loss(
    loss_l_min: float,
    duty: float | None = None,
    power_kw: float | None = None,
    price_kwh: float | None = None,
    service_hour: float | None = None,
) -> Cost:
    """A year at `loss_l_min`, while the compressor runs for the share `duty` of the time.

    `duty` is as measured, or loss over production where it is not.
    """
    hours = None if duty is None else min(max(duty, 0.0), 1.0) * YEAR_H
    energy = None if hours is None or power_kw is None else hours * power_kw
    energy_money = None if energy is None or price_kwh is None else energy * price_kwh
    service = None if hours is None or service_hour is None else hours * service_hour
    known = [money for money in (energy_money, service) if money is not None]
    return Cost(
        max(loss_l_min, 0.0) * 60.0 * YEAR_H,
        hours,
        energy,
        energy_money,
        service,
        sum(known) if known else None,
    )
