"""A shop's own card, an instrument and engine families, all invented."""

from __future__ import annotations

CARD = """
name = "wash-pump"
title = "Washer pump current"
summary = "Current of the windscreen washer pump, key on."
aliases = ["washer", "screen-wash"]
coupling = "dc"
cautions = ["rotating-parts"]

[conditions]
key-on = "key on, engine off, pump running"

[faults]
blocked = "blocked nozzle: more current"

[[channels]]
role = "current"
unit = "A"

[events]
rule = "whole"
unit_name = "recording"
axis = "time"
axis_unit = "%"
min_events = 1
params = { parts = 4 }

[fitness]
min_rate_hz = 100.0
min_duration_s = 0.05

[plan]
connect = "clamp round the pump's supply wire"
expected_peak = 10.0
peak_source = "common practice, no source"
shortest_feature_s = 0.001
slowest_cycle_s = 0.5
trigger = "rising current"

[[measurements]]
name = "mean-current"
function = "mean"
unit = "A"
role = "current"
low = 2.0
high = 6.0
source = "common practice, no source"

[[measurements]]
name = "tenth"
function = "quantile"
unit = "A"
role = "current"
params = { q = 0.1 }
"""
