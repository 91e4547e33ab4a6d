"""Packs that answer over Modbus: by a declared register map, or by SunSpec.

Pure codecs and dialogues (`plan`, `registers_codec`, `sunspec`) say what to read and
what it means; `link` alone talks to the wire; `sources` joins the two. Nothing here
ever writes to a device: only functions 3 and 4 are used.
"""
