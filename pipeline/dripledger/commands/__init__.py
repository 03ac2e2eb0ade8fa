"""What the verbs of the command line do: each calls a room or two and prints what comes back."""
