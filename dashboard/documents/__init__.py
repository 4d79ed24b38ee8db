"""What is printed or mailed: the digest of a week and the coaching sheet."""
