"""The promises of durability, kept under kills, failing disks, broken instruments and hostile input."""
