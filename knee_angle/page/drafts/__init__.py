"""The draft of a visit: on the server's disk until it is kept, so that nothing is ever lost.

* ``folder``: where drafts lie, how one is read, changed, and ended;
* ``merging``: what two tabs changed, put together.

A draft is a folder of its own, named by a token that nobody can guess and that the page's
address carries: ``draft.json`` and the photos' files, each written whole, for the owner's eyes
alone (0700, 0600). Numbers, points and codes; the photos' names are not kept.
"""

from knee_angle.page.drafts.folder import (
    ENDS_AFTER_S,
    MOST_BYTES,
    Draft,
    DraftsFolder,
    drafts_folder,
    new_token,
)
from knee_angle.page.drafts.merging import merged

__all__ = [
    "ENDS_AFTER_S",
    "MOST_BYTES",
    "Draft",
    "DraftsFolder",
    "drafts_folder",
    "merged",
    "new_token",
]
