"""The history: samples of every pack, thinned with age, beside the journal.

`tocsin.history.reader` holds what pages, plots and reports read it with.
"""
