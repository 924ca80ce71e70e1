"""Work that is done once for each object it is about."""

from functools import wraps
from weakref import WeakKeyDictionary


def kept(work):
    """Keep what is worked out of an object and names, as long as the object is there.

    Examples
    --------
    >>> class Season: pass
    >>> one, found = Season(), kept(lambda season: [])
    >>> found(one) is found(one), found(one) is found(Season())
    (True, False)
    """
    found = WeakKeyDictionary()

    @wraps(work)
    def looked_up(about, *names: str):
        of_it = found.setdefault(about, {})
        if names not in of_it:
            of_it[names] = work(about, *names)
        return of_it[names]

    return looked_up
