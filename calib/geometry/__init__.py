"""Mesh in; volume, area, layer profile, pose, supports, nesting out."""
