"""A simulated rig: physics, a transmitter on a line, and a simulated operator."""
