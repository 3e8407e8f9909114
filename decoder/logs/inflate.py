"""Deflated bytes of a container, within a bound. Source: RFC 1950."""

from __future__ import annotations

from typing import cast


def inflate(body: bytes | memoryview, stated: int, most: int) -> tuple[bytes | bytearray, bool]:
    """At most one byte more than `most`, and whether the end of the data and their checksum were met.

    stated: bytes that it should give: to take them at once is quicker. most: less than 4 GiB. Of data that are cut off,
    what came is given. Raises ValueError where they are damaged.
    """
    import deflate
    from isal import igzip_lib, isal_zlib

    if 0 < stated <= most:
        try:
            return deflate.zlib_decompress(body, stated), True
        except deflate.DeflateError:
            pass  # cut off, damaged or larger than it states: found out below
    inflater = isal_zlib.decompressobj()
    try:
        data = inflater.decompress(body, most + 1)
    except cast("type[Exception]", igzip_lib.IsalError) as error:
        raise ValueError(str(error)) from None
    return data, bool(inflater.eof)
