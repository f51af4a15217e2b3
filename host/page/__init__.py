"""The bench page: one local page to see, jog, adjust and stop.

joints.py          what the page is opened for: joint files, or a hand
opening.py          what the link is asked to open
link_main.py      where the link's process begins: a virtual board starts first
link_process.py   owns the ports: a process of its own that serves two pipes
link.py            the session there: orders, telemetry, recording, links lost and found
sine.py            a sine streamed to a joint
link_client.py    the server's end of the pipe to it
desk.py           who watches, who controls, what each may ask
compute.py        the process that computes what the page asks for
preview.py        margins, predicted step and band: computed by ``sim``
reporting.py      comparison, saving, report
server.py         HTTP and WebSocket: token, Origin, Host, static files
static/           the page itself: plain ES modules, no build step
"""
