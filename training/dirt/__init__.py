"""Renders dirt on the glass over photographs and trains the small models of :mod:`audit.measure.soiling`."""
