"""What is set on paper and on a page: certificates and reports.

A ``document`` is data: sections of facts, paragraphs, tables and pictures.
``web_page`` sets it as one HTML file, ``paper`` as a PDF; ``drawing`` makes the
pictures.  Drawing and PDF need the packages of the ``report`` extra.
"""
