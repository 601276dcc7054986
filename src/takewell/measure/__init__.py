"""Arrays in, numbers out; no file is ever opened here.

One quantity a module, imported by its own name (``from takewell.measure.spectrum import power_density``), so
that nobody loads compiled loops or filter design unasked. docs/measuring.md says what every number means.
"""
