"""Landowner sheets: one page for each property that has a clear gap on a natural stream.

``plots`` says what is on a property, ``map_marks`` and ``sheet`` lay it on a page as a plain list of marks in
millimetres, ``pdf`` writes marks as a PDF. ``texts`` holds the sentences, by language.
"""
