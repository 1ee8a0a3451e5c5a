"""HiSLIP (IVI-6.1 revision 1.1, synchronised mode): the instruments of the bench over two TCP channels with device clear."""
