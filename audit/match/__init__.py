"""Photos to planned cameras.

In: a :class:`~audit.plan.model.Site` and the visit's :class:`~audit.photos.photo.Photo` values (metadata, codes,
hashes; no pixels). Out: a :class:`~audit.match.placement.Placement` for each photo, in input order.
"""
