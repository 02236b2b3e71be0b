"""What `fault_rounds` and `soak` share: processes looked at and struck, and the rounds themselves."""
