"""The detectors. To add one: a file here, and a line in KINDS."""

KINDS = {
    "low_pressure": "edge.detect.pressure_limits:LowPressure",
    "high_pressure": "edge.detect.pressure_limits:HighPressure",
    "no_cut_in": "edge.detect.no_cut_in:NoCutIn",
    "no_cut_out": "edge.detect.no_cut_out:NoCutOut",
    "long_run": "edge.detect.long_run:LongRun",
    "excess_runtime": "edge.detect.excess_runtime:ExcessRuntime",
    "low_purity": "edge.detect.low_purity:LowPurity",
    "channel_fault": "edge.detect.channel_fault:ChannelFault",
}
"""Every alert, and the class that detects it."""
