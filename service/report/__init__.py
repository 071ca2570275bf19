"""The last stage: a result document and its shots as a page for people.

`text_page` (terminals) and `render_report` (one self-contained HTML file) read the same document. Nothing
heavy is imported here: `html` loads its template engine only when a report is really made.
"""
