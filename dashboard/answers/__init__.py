"""Questions of a page, answered from frames and models: everything a page shows is worked out here."""
