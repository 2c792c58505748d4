"""Which measures make up a check. A recipe has a version; a measurement names it."""

FULL = "full/2"
"""Everything of `analysis.dsp.meter.Measures`. The version before had no spectrum, no correlation over time,
no mono loss, no noise floor, no silence at the ends, and one true peak for all channels."""
