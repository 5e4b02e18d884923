"""The daemon's door: HTTP for what is asked, a WebSocket for what goes on. Loopback only."""
