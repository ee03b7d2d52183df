"""What a colleague would add to an alert: the likely cause in words, what to check, what to bring.

The causes are those of the trade's table "what a reading means together"; the advice is common
practice, no source.
"""

from collections.abc import Mapping
from typing import NamedTuple


class Advice(NamedTuple):
    """`cause` completes "Most likely: ..."."""

    cause: str
    check: str
    bring: str


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
        "the valve stands in bypass, so the line is filled with air",
        "Look at the three-way valve: nitrogen or bypass? Then ask who filled the system last.",
        "A freshly calibrated hand-held oxygen analyzer.",
    ),
    "volume_changed": Advice(
        "the gas volume has changed: something is valved off, or full of water",
        "Look whether a system's or a receiver's valve is shut, and drain the receiver.",
        "The record of valve positions, a hose for draining.",
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
        "the air maintenance device's bypass is open, or its regulator has failed",
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
        "See whether the generator is still running, then read the gauge beside the relief valve.",
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
        "Check with a freshly calibrated hand-held analyzer, then the needle valve and bypass.",
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
