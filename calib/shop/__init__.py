"""The shop file: machines, materials, stations, people, working hours; read and checked."""
