"""What everything else speaks of: pictures, windows, types of wires, numbers over time, frame ranges."""
