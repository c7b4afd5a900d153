"""Reading a scan: from a file to triangles that can be trusted."""
