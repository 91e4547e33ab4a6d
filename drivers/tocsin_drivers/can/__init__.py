"""Packs that are heard on a CAN bus: RV-C, and anything that a DBC file describes.

Pure codecs (`dbc_codec`, `rvc_frames`, `rvc_reader`, `claim`, `alarm_status`) say what
to listen for and what it means; `ear` keeps what was heard, whether it came from a bus
or a recording; `link` alone touches the bus; `sources` joins the two.
Nothing is ever sent, unless a site file says ``transmit = true`` for an RV-C pack.
"""
