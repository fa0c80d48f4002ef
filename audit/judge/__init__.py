"""Plan and measurement to findings.

In: a planned camera, what was measured, and the limits. Out: a :class:`~audit.judge.finding.Verdict`.
"""
