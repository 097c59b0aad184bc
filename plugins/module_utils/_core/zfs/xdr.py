# Copyright (c) 2026, The evenkeel maintainers
# GNU General Public License v3.0 or later (see LICENSE or https://www.gnu.org/licenses/gpl-3.0.txt)
# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads a packed name-value list of OpenZFS: bytes in, dictionary out. Pure.

The form is that of OpenZFS's module/nvpair/nvpair.c with XDR encoding (RFC 4506: big-endian, everything
padded to four bytes): a head of four bytes, then version and flags, then for each pair its encoded size,
decoded size, name, type, number of elements and value, ended by two zero sizes. A pair of a type that
labels do not use is skipped by its encoded size.
"""

from __future__ import annotations

import struct
from typing import Any, Dict, List

from ..errors import DecodeError

NvList = Dict[str, Any]

_DEEPEST = 12
_U32, _U64 = struct.Struct(">I"), struct.Struct(">Q")
_MOST_ELEMENTS = 65536
_BOOLEAN, _UINT64, _STRING, _UINT64_ARRAY, _NVLIST, _NVLIST_ARRAY, _BOOLEAN_VALUE = 1, 8, 9, 16, 19, 20, 21


def decode(data: bytes) -> NvList:
    """The list at the start of *data*; what follows it is ignored. Raises DecodeError.

    Numbers become int, text str (undecodable bytes escaped), flags True, lists dictionaries.
    """
    if len(data) < 4 or data[0] != 1 or data[1] not in (0, 1):
        raise DecodeError("no XDR name-value list starts here", subject="pool label")
    return _Reader(data, 4).nvlist(0)


class _Reader:
    def __init__(self, data: bytes, at: int) -> None:
        self._data = data
        self._at = at

    def nvlist(self, depth: int) -> NvList:
        if depth > _DEEPEST:
            raise _broken("lists inside lists, {0} deep".format(depth))
        self._u32()  # version
        self._u32()  # flags
        found: NvList = {}
        while True:
            start = self._at
            encoded, decoded = self._u32(), self._u32()
            if encoded == 0 and decoded == 0:
                return found
            end = start + encoded
            if end <= self._at or end > len(self._data):
                raise _broken("a pair of {0} bytes".format(encoded))
            name = self._text()
            kind, count = self._u32(), self._u32()
            if count > _MOST_ELEMENTS:
                raise _broken("{0} elements in {1!r}".format(count, name))
            self._value(found, name, kind, count, depth)
            if self._at > end:
                raise _broken("{0!r} is longer than its size".format(name))
            self._at = end

    def _value(self, found: NvList, name: str, kind: int, count: int, depth: int) -> None:
        if kind == _BOOLEAN:
            found[name] = True
        elif kind == _UINT64:
            found[name] = self._u64()
        elif kind == _STRING:
            found[name] = self._text()
        elif kind == _UINT64_ARRAY:
            found[name] = tuple(self._u64() for _number in range(count))
        elif kind == _BOOLEAN_VALUE:
            found[name] = bool(self._u32())
        elif kind == _NVLIST:
            found[name] = self.nvlist(depth + 1)
        elif kind == _NVLIST_ARRAY:
            lists: List[NvList] = [self.nvlist(depth + 1) for _number in range(count)]
            found[name] = lists

    def _take(self, size: int) -> bytes:
        taken = self._data[self._at : self._at + size]
        if len(taken) != size:
            raise _broken("it ends in the middle")
        self._at += size
        return taken

    # A label has thousands of numbers, and every module that looks at pools reads all labels.
    def _u32(self) -> int:
        return self._number(_U32)

    def _u64(self) -> int:
        return self._number(_U64)

    def _number(self, form: struct.Struct) -> int:
        try:
            value: int = form.unpack_from(self._data, self._at)[0]
        except struct.error:
            raise _broken("it ends in the middle") from None
        self._at += form.size
        return value

    def _text(self) -> str:
        size = self._u32()
        raw = self._take(size)
        self._take(-size % 4)
        return raw.decode("utf-8", "backslashreplace")


def _broken(what: str) -> DecodeError:
    return DecodeError("its name-value list is damaged: {0}".format(what), subject="pool label")
