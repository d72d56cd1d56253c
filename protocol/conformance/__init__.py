"""The conformance checker: does what is behind this port do all that its document says?

Words and method are those of ISO/IEC 9646 (conformance testing methodology and framework): requirements are
traced to test purposes, each gets a verdict, and what was not tried is *not selected*.

| module      | idea |
|-------------|------|
| `verdict`   | verdicts and how they overwrite one another |
| `session`   | bytes and time to and from a port, with a journal |
| `rig`       | the hands that change the bench and the clock |
| `tester`    | the hands that purposes work with, in layers from `plain` questions up |
| `purposes`  | what is tried for each kind of requirement |
| `campaign`  | which purposes run, in what order, and what came of them |
| `casefile`  | a failure as text that a person can read, edit and replay |
"""
