"""The property search: random walks over everything a document speaks of, each answer judged by the oracle.

`actions` says what a step can be and how it is done; `walk` has Hypothesis choose and shrink steps; `group`
puts searches among the purposes of a check.
"""
