"""Phones in: the packet, the session, the bus and the websocket endpoint."""
