"""Keys of what a person types, chooses or presses on a page about one case: each names its case, so none goes to another.

Streamlit knows a field with a key by that key alone: what was typed into it, and a click that is on its way, stay when the page
goes on with another case, and the name of its form does not part them.
"""

import hashlib


def of_case(name: str, key: str, *of: object) -> str:
    """The key of a field, button, form or table.

    Parameters: name, of the field on its page; key, of the case in the library, or a digest of the keys of several; of, what else
    must not be taken for one another: the reading, the signed version, the number of a sheet.
    """
    return f"{name}@{'.'.join(str(one) for one in (key, *of))}"


def digest(*texts: object) -> str:
    """What tells whether texts are still the same, short enough for a key."""
    return hashlib.sha256("\0".join(str(one) for one in texts).encode()).hexdigest()[:16]
