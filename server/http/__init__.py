"""The service on a port: pages, addresses, the websocket, the gate's guard.

Hides cookies, headers and files.
"""
