"""Hostile input for every parser: sound files, named damages, and a coverage-guided search.

`python -m tests.fuzz --minutes M --parser NAME` searches for inputs that break a parser;
`sound`, `damages` and `corpus` also serve the tests. Does not belong here: what a parser
should say of one certain fault (that is tested beside each reader).
"""
