"""Commands of the service: `serve`, `keys`, `db`. Each is read only when it is called."""
