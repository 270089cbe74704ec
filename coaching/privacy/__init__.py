"""Everything stored about one lifter: found, handed over, deleted, and searched for again.

A lifter is known by a pseudonym only; there is no field for a name, birth date or address anywhere. The pseudonym
appears in profiles, in plans of sessions, in recordings made with such a profile or in a session of a study, and in
what was made from recordings: tables, pages and the store of a history. From the pseudonym the search goes on by the
nonce of each set, which every table, page, journal and recording of that set holds. `search` finds, `handover` writes
what was found into an archive, `removal` deletes it. Only files that ebbset wrote are ever changed or deleted. Who is
behind a pseudonym is known to the site, on paper, and not to this software. Nothing here prints or asks.
"""

from ebbset.coaching.privacy.found import INDEX, MEANINGS, WHOLE, Found, Kind, Search, StoreFound, Unsearched
from ebbset.coaching.privacy.handover import export
from ebbset.coaching.privacy.packages import UnreadableTableError
from ebbset.coaching.privacy.removal import delete
from ebbset.coaching.privacy.search import find

__all__ = [
    "INDEX",
    "MEANINGS",
    "WHOLE",
    "Found",
    "Kind",
    "Search",
    "StoreFound",
    "UnreadableTableError",
    "Unsearched",
    "delete",
    "export",
    "find",
]
