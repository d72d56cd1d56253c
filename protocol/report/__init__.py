"""What came of a check, for people and for programs.

| module     | idea |
|------------|------|
| `outcome`  | everything that a report says, in order and as plain data; all the others are written from it |
| `terminal` | for the screen, in 80 columns |
| `document` | JSON, whose shape is `report.schema.json` |
| `junit`    | JUnit XML, for continuous integration |
| `page`     | one self-contained HTML page |
| `past`     | a JSON report read again |
| `since`    | what has changed from one report to a later one |
| `history`  | many reports: when did this start to fail; text, JSON and one HTML page |
"""
