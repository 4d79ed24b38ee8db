SELECT version FROM warehouse
