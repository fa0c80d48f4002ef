"""Drawings under plans, and plans out of models.

In: a floor plan or an aerial picture (PNG, JPEG, TIFF with or without its georeference, a page of a PDF, DXF), or an IFC
model. Out: a picture of it with the matrix that puts its pixels on the site's metres, how far known points lie off it, and
cameras as rows of a plan. What comes from outside is opened in a process of its own with limits on memory and time.
"""
