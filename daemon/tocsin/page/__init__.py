"""The page for browsers: what an owner asks, answered by the daemon itself.

`Page` is a room with a thread and an event loop of its own, so that no browser can
hold up a step. Everything but `server` is plain Python; that file alone knows the web
library.
"""

from tocsin.page.room import Page

__all__ = ["Page"]
