"""The difference between two versions of a document, and what it means for hosts, stores and benches.

`changes` finds what differs, `rules` says what each difference means, `comparison` puts it together.
"""
