"""How far people agree in what they say of fruit and marks, where they differ, and which labels are doubtful."""
