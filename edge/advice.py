"""What a colleague would add to an alert: its name, the likely cause in words, what to check first,
what to bring, and what the owner does. Page, mail, messages and shell all say it from here. Pure.

The causes are those of the trade's table "what a reading means together"; the advice is common
practice, no source.
"""

from collections.abc import Mapping
from typing import NamedTuple


class Advice(NamedTuple):
    """`cause` completes "Most likely: ..."; "" where none could be told."""

    cause: str
    check: str
    bring: str


NAMES: Mapping[str, str] = {
    "low_pressure": "Low pressure",
    "high_pressure": "High pressure",
    "no_cut_in": "No cut-in",
    "no_cut_out": "No cut-out",
    "slow_build": "Slow build",
    "long_run": "Long run",
    "excess_runtime": "Excess runtime",
    "short_cycling": "Short cycling",
    "leak_growth": "Leak growth",
    "fast_drop": "Fast drop",
    "low_purity": "Low purity",
    "bypass_suspected": "Bypass suspected",
    "setpoint_drift": "Setpoint drift",
    "maintenance_device_fault": "Air maintenance device fault",
    "channel_fault": "Channel fault",
    "stuck_reading": "Stuck reading",
    "hold_test_failed": "Hold test failed",
    "calibration_due": "Calibration due",
    "work_due": "Work due",
    "storage_low": "Storage low",
    "monitor_fault": "Monitor fault",
}
"""Every alert as people call it."""


def name_of(alert: str) -> str:
    """ "no_cut_in" as "No cut-in"."""
    return NAMES.get(alert) or alert.replace("_", " ").capitalize()  # kept by another version


def of(alert: str, cause: str | None) -> Advice:
    """What is known of an alert whose cause (a code, or None) is told or not."""
    return CAUSES.get(cause or "") or ALERTS.get(alert) or Advice("", "", "")


def owner(alert: str, priority: str, contact: str) -> str:
    """What the owner does: call, and keep clear; the rest is the technician's."""
    when = {"urgent": "now", "soon": "within a day or so", "planned": "before the next visit"}
    first = OWNER.get(alert, "")
    return f"{first} Call {contact} {when[priority]}.".lstrip()


OWNER: Mapping[str, str] = {
    "low_pressure": "Look at the fire alarm panel: a system may be losing its gas or operating.",
    "fast_drop": "Treat it as an emergency on site: look for fire and flowing water, and at the"
    " fire alarm panel.",
    "high_pressure": "Keep everybody clear of the generator and its line.",
    "no_cut_out": "Keep everybody clear of the generator and its line.",
    "no_cut_in": "Turn no valve and open no panel.",
    "maintenance_device_fault": "Turn no valve.",
}
"""What comes before the call, by the alert's name."""


CAUSES: Mapping[str, Advice] = {
    "leak": Advice(
        "a leak that has grown",
        "Listen and soap the fittings between the generator's outlet and the air maintenance "
        "device first, then the low-point drains and the last work done on the piping.",
        "Leak-detection fluid, an ultrasonic detector, fittings and gaskets for the line.",
    ),
    "flow_restricted": Advice(
        "the flow is choked",
        "Look at the needle valve's position, the filters after the generator and every valve "
        "in the line that may be part closed.",
        "Filter elements, the needle valve's recorded setting.",
    ),
    "production_weak": Advice(
        "the compressor or the membrane makes less than it did",
        "Read the feed pressure while it runs, look at the intake filter, the dryer and its drain.",
        "Intake and coalescing filter elements, a pressure gauge, the generator's test report.",
    ),
    "bypass_open": Advice(
        "the three-way valve stands in bypass, so the line is filled with air",
        "Look at the three-way valve: nitrogen or bypass? Then ask who filled the system last.",
        "A freshly calibrated hand-held oxygen analyzer.",
    ),
    "volume_changed": Advice(
        "the gas volume has changed: something is valved off, or full of water",
        "Look whether a system's or a receiver's valve is shut, and drain the receiver.",
        "The record of valve positions, a hose for draining.",
    ),
    "loss_over_production": Advice(
        "more is lost than the generator makes",
        "Look for an open drain or a broken joint first, then whether the generator delivers: it "
        "runs, and the pressure falls.",
        "Leak-detection fluid, pipe, couplings, plugs, a flow meter, the impairment procedure.",
    ),
    "control_fault": Advice(
        "the pressure control is mis-set or has failed",
        "Watch one cut-in and one cut-out on the gauge beside the control's setting.",
        "A calibrated gauge, a replacement pressure control.",
    ),
    "no_power": Advice(
        "the compressor has no power, or its overload has tripped",
        "Look at the breaker, the overload and the selector switch before anything else.",
        "A meter, and a person licensed to open the panel.",
    ),
    "pipe_open": Advice(
        "a pipe is broken, a drain or valve is open, or a system is operating",
        "Treat it as an emergency on site: find out whether water is flowing and whether there "
        "is a fire before anything is shut.",
        "Pipe, couplings, plugs and the impairment procedure.",
    ),
    "device_shut": Advice(
        "the air maintenance device is shut, blocked, or its filter is clogged",
        "Look at the valves on both sides of the device, then at its strainer and restriction.",
        "A strainer element and a cleaning kit for the restriction.",
    ),
    "device_open": Advice(
        "the air maintenance device's fast-fill bypass is open, or its regulator has failed",
        "Look whether the fast-fill bypass valve is shut, then at the regulator's outlet.",
        "A regulator repair kit, a calibrated gauge.",
    ),
}
"""By the cause codes of the events contract."""

ALERTS: Mapping[str, Advice] = {
    "low_pressure": Advice(
        "",
        "Read the gauge on the line, then see whether the generator is running.",
        "A calibrated gauge, leak-detection fluid.",
    ),
    "high_pressure": Advice(
        "",
        "See whether the generator still runs, and read the gauge from a distance; do not rely on "
        "the relief valve.",
        "A calibrated gauge, a replacement pressure control.",
    ),
    "no_cut_in": Advice(
        "",
        "Look for power, a tripped overload, a shut supply valve, then the pressure control.",
        "A meter, a replacement pressure control.",
    ),
    "no_cut_out": Advice(
        "",
        "See whether pressure is still rising: if not, the loss is as large as the production.",
        "Leak-detection fluid, a calibrated gauge.",
    ),
    "slow_build": Advice(
        "",
        "Compare the rise while running with the one at hand-over: filters, feed pressure, leaks.",
        "Filter elements, the generator's test report.",
    ),
    "long_run": Advice(
        "",
        "See whether the line is being filled after work; if not, look for a leak.",
        "Leak-detection fluid, a calibrated gauge.",
    ),
    "excess_runtime": Advice(
        "",
        "Compare the loss with the commissioned one, then the rise with the one at hand-over.",
        "Leak-detection fluid, filter elements.",
    ),
    "short_cycling": Advice(
        "",
        "See whether a receiver or a system is valved off, then the control's two settings.",
        "A calibrated gauge, the record of valve positions.",
    ),
    "leak_growth": Advice(
        "",
        "Hold the supply line alone first: that tells on which side of the device it leaks.",
        "Leak-detection fluid, an ultrasonic detector.",
    ),
    "fast_drop": Advice(
        "",
        "Treat it as an emergency on site until it is known what opened.",
        "Pipe, couplings, plugs and the impairment procedure.",
    ),
    "low_purity": Advice(
        "",
        "Check with a freshly calibrated hand-held analyzer, then the needle valve and the three-way "
        "valve.",
        "A hand-held oxygen analyzer, filter elements.",
    ),
    "bypass_suspected": Advice(
        "",
        "Look at the three-way valve: nitrogen or bypass?",
        "A hand-held oxygen analyzer.",
    ),
    "setpoint_drift": Advice(
        "",
        "Watch one cut-in and one cut-out on a calibrated gauge.",
        "A calibrated gauge, a replacement pressure control.",
    ),
    "maintenance_device_fault": Advice(
        "",
        "Look at the device's valves, its strainer and its regulator.",
        "A strainer element, a regulator repair kit.",
    ),
    "channel_fault": Advice(
        "",
        "Look at the sensor's plug, its cable and its supply; the wiring view shows raw volts.",
        "A meter, a spare sensor of the same kind.",
    ),
    "stuck_reading": Advice(
        "",
        "See whether the sensor's isolating valve is open and its tapping clear.",
        "A calibrated gauge, a spare sensor.",
    ),
    "hold_test_failed": Advice(
        "", "Test each section by itself to find the one that leaks.", "Leak-detection fluid."
    ),
    "calibration_due": Advice(
        "", "Calibrate the oxygen cell in outside air.", "A spare oxygen cell, calibration gas."
    ),
    "work_due": Advice(
        "", "Do the work that is overdue, and record it.", "What the work of /work asks for."
    ),
    "storage_low": Advice(
        "", "See how much space the card has left.", "A new card of an endurance grade."
    ),
    "monitor_fault": Advice(
        "", "Read the monitor's own page and its log.", "A new card of an endurance grade."
    ),
}
"""By the alert's name, for when no cause could be told."""
