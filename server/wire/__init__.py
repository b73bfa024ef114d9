"""The words on the websocket: messages in, replies out, the state a page is told.

Hides JSON, versions and the binary picture header.
"""
