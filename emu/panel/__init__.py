"""The web bench: one page that shows an instrument, and the world around it where that is simulated.

| module        | what it does                                                                       |
|---------------|------------------------------------------------------------------------------------|
| `description` | what a page has to know of a document                                              |
| `bell`        | one thread rings for another                                                       |
| `port`        | the instrument's port, shared by host programs and the page                        |
| `kept`        | keeps the link alive while the page has the port, however fast time passes         |
| `heard`       | what answers that were overheard tell of an instrument's points                    |
| `desk`        | brings what the page asks for into the emulator's thread                           |
| `simulated`   | an instrument that is simulated, with its world                                    |
| `real`        | an instrument at a port, through a client: it is only watched at first             |
| `checks`      | a check that is started from the page, in a process of its own                     |
| `session`     | the pages that are open, what each gets and what each may do                       |
| `web`         | HTTP and web sockets: who may connect, and what the browser may load               |
| `static/`     | the page itself; it loads nothing from anywhere else                               |
"""
