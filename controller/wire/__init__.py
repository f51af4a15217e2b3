"""The link's bytes: framing (RFC 1662) and messages, shared by board and host."""
