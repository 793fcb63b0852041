"""The sizes of paper that sheets and reports are printed on, by the words that an agency chooses from.

References: A4 is 210 mm by 297 mm, letter 8.5 in by 11 in (the `size` descriptor of CSS `@page`, MDN, read).
"""

A4, LETTER = "a4", "letter"
PAPERS = (A4, LETTER)
