"""What other programs are told over MQTT."""
