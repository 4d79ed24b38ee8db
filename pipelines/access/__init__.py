"""Who may see and do what: roles, the people who sign in, and what each of them is shown."""
