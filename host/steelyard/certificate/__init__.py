"""The certificate of a calibration: one page for the screen, one document for the folder.

``content`` puts together what is said, ``plots`` draws, ``steelyard.printed``
sets it as HTML and PDF, ``issue`` writes the files.  Every number
comes from the stored calibration and its history; nothing is measured here.

Drawing and PDF need the packages of the ``report`` extra; they are imported
when a certificate is made, not before.
"""
