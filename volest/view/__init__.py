"""Looking at a scan: what is drawn, the window, the pictures, the pour sheet."""
