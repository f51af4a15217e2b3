"""The link to a board: transport, bridge, a session over several boards, and what is sent over it."""
