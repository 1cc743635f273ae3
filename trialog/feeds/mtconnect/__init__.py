"""Listen to a machine through an MTConnect agent (an open standard, ANSI/MTC1.4: HTTP and XML).

It only ever asks: the standard's agents take no commands, and none are sent.
"""
