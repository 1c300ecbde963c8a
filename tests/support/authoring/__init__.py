"""Scenarios written once and said in both releases: the source of the folders under fixtures/.

``python -m tests.support.authoring`` writes each folder's messages and its scenario.toml; README.md
is written by hand, and expect.json by a replay with ``--accept``.
"""
