"""Files on a server: whether it answers, and what it says of a file, so that a change there is noticed."""

from __future__ import annotations

import urllib.error
import urllib.parse
import urllib.request
from email.message import Message
from pathlib import Path

from gisprio.inputs.faults import Fault
from gisprio.inputs.paths import Place

WAIT_S = 10.0
"""So long a server may take to answer [s] [own]."""
READ_S = 60.0
"""So long a part of a file may take to come [s] [own]."""
_WORDS = ("ETag", "Last-Modified", "Content-Length")
_VSICURL = "/vsicurl/"

GDAL_OPTIONS = {
    "GDAL_HTTP_CONNECTTIMEOUT": f"{WAIT_S:g}",
    "GDAL_HTTP_TIMEOUT": f"{READ_S:g}",
    "GDAL_HTTP_MAX_RETRY": "2",
    "GDAL_HTTP_RETRY_DELAY": "1",
    "CPL_VSIL_CURL_NON_CACHED": _VSICURL,
}
"""Set for the process where the user has not: no request waits without end, and what came goes with its file."""


class Servers:
    """Servers that were asked; one that does not answer is asked once."""

    def __init__(self) -> None:
        self._away: dict[str, str] = {}
        self._said: dict[str, str] = {}

    def version(self, layer: str, place: Place) -> str | Fault:
        """Give what a server says of a file: ETag, date and size. Empty where it says nothing.

        Parameters
        ----------
        layer
            Its layer, for the message.
        place
            The file; only addresses that begin with http are asked for.

        Returns
        -------
        str or Fault
            The fault where the server cannot be reached.
        """
        url = url_of(place)
        if url is None:
            return ""
        host = urllib.parse.urlsplit(url).netloc
        if host not in self._away and url not in self._said:
            try:
                self._said[url] = _asked(url)
            except (urllib.error.URLError, OSError, ValueError) as error:
                self._away[host] = str(getattr(error, "reason", error))
        if host in self._away:
            return _not_reached(layer, url, host, self._away[host])
        return self._said[url]


def url_of(place: Place) -> str | None:
    """Give the address of a file on a server; None for one that lies elsewhere.

    Examples
    --------
    >>> url_of(Place("/vsicurl/https://example.org/a.tif"))
    'https://example.org/a.tif'
    """
    address = place.path.removeprefix(_VSICURL)
    return address if place.path.startswith(_VSICURL) and address.startswith(("http://", "https://")) else None


def archive_of(place: Place) -> str | None:
    """Give the file of this machine that a file lies packed in, such as a zip; None where there is none."""
    if place.is_local or url_of(place) is not None:
        return None
    parts = place.path.split("/")[2:]
    tried = ("/".join(parts[:count]) for count in range(1, len(parts) + 1))
    return next((path for path in tried if path and Path(path).is_file()), None)


def _asked(url: str) -> str:
    request = urllib.request.Request(url, method="HEAD")
    try:
        with urllib.request.urlopen(request, timeout=WAIT_S) as answer:
            heads: Message = answer.headers
    except urllib.error.HTTPError as error:  # it answers; whether the file can be read is seen when it is opened
        error.close()
        return ""
    return "; ".join(f"{word}: {heads[word]}" for word in _WORDS if heads[word])


def _not_reached(layer: str, url: str, host: str, reason: str) -> Fault:
    return Fault(
        f"[layers] {layer}: {url} cannot be reached: {host} does not answer ({reason}).",
        "a server that answers, or a file of this machine.",
        "check the address and the connection, or download the file and give its path.",
    )
