"""From what a scope measured to what it means.

capture -> trace -> levels -> edges -> characters -> echoes -> measurements -> findings -> verdict
-> report.

Each stage imports numpy and earlier stages, nothing else. All times are seconds on the capture's own time
axis (zero = trigger), all levels volts at the probe tip as the scope has scaled them.
"""
