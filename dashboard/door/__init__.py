"""The door of a dashboard that others in the shop's network may open: sign-in, sign-out, one-time links."""
