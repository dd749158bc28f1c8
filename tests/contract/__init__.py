"""What every board must do, whatever it is made of: the protocol as cases."""
