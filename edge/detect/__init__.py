"""The detectors. To add one: a file here, and a line in KINDS."""

KINDS = {
    "low_pressure": "edge.detect.pressure_limits:LowPressure",
    "high_pressure": "edge.detect.pressure_limits:HighPressure",
    "no_cut_in": "edge.detect.no_cut_in:NoCutIn",
    "no_cut_out": "edge.detect.no_cut_out:NoCutOut",
    "long_run": "edge.detect.long_run:LongRun",
    "excess_runtime": "edge.detect.excess_runtime:ExcessRuntime",
    "low_purity": "edge.detect.low_purity:LowPurity",
    "slow_build": "edge.detect.slow_build:SlowBuild",
    "short_cycling": "edge.detect.short_cycling:ShortCycling",
    "leak_growth": "edge.detect.leak_growth:LeakGrowth",
    "fast_drop": "edge.detect.fast_drop:FastDrop",
    "bypass_suspected": "edge.detect.bypass_suspected:BypassSuspected",
    "setpoint_drift": "edge.detect.setpoint_drift:SetpointDrift",
    "maintenance_device_fault": "edge.detect.maintenance_device_fault:MaintenanceDeviceFault",
    "stuck_reading": "edge.detect.stuck_reading:StuckReading",
    "calibration_due": "edge.detect.calibration_due:CalibrationDue",
    "work_due": "edge.detect.work_due:WorkDue",
    "storage_low": "edge.detect.storage_low:StorageLow",
    "monitor_fault": "edge.detect.monitor_fault:MonitorFault",
    "hold_test_failed": "edge.detect.hold_test_failed:HoldTestFailed",
    "channel_fault": "edge.detect.channel_fault:ChannelFault",
}
"""Every alert, and the class that detects it."""
