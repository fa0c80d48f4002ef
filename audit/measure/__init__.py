"""Pixels to measurements, each with its uncertainty or the reason why there is none.

In: ``uint8`` RGB arrays and a :class:`~audit.lens.Lens`. Out: the values of :mod:`audit.measure.measurement`.
"""
