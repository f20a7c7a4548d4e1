"""What `import stripwise` shows."""
