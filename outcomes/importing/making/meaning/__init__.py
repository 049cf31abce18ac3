"""What a cell measures, of which hand and at which visit, where its heading leaves that open."""
