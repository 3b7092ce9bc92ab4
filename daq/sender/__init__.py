"""What runs on the instrument's side: nothing in here is used by the rest of the program."""
