"""Who calls, and what they may do (DESIGN 10): API keys, access tokens, or anybody in the open demonstration."""
