"""Files to photos: find, refuse or decode safely, read what a file says of itself.

In: a folder of anything. Out: :class:`~audit.photos.photo.Photo` values and refusals, and on request the pixels
(``uint8`` RGB, oriented).
"""
