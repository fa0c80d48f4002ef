"""What was planned: files in and out, optics, mounts, and what contradicts itself.

In: a CSV, XLSX or GeoJSON plan. Out: a :class:`~audit.plan.model.Site`, and what its cameras should see.
"""
