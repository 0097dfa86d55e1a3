"""Access tokens for programs that prove who they are with a key pair: SMART Backend Services (SMART App Launch 2.2.0,
backend-services.html)."""
