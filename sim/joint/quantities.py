"""Quantities of a joint: unit, example and allowed range of each kind of value in its file."""

from typing import Annotated

from sim.schema import ABOVE_ZERO, Quantity

Angle = Annotated[float, Quantity("rad", "30 deg", -700.0, 700.0)]
Width = Annotated[float, Quantity("rad", "1.5 deg", 0.0, 6.4)]
Length = Annotated[float, Quantity("m", "6 mm", ABOVE_ZERO, 2.0)]
Torque = Annotated[float, Quantity("N*m", "1.2 mN*m", 0.0, 100.0)]
PosTorque = Annotated[float, Quantity("N*m", "1.9 kgf*cm", ABOVE_ZERO, 100.0)]
Force = Annotated[float, Quantity("N", "3 N", ABOVE_ZERO, 1.0e5)]
Inertia = Annotated[float, Quantity("kg*m^2", "5e-6 kg*m^2", 1e-12, 1.0)]
Voltage = Annotated[float, Quantity("V", "5.0 V", ABOVE_ZERO, 100.0)]
Current = Annotated[float, Quantity("A", "0.70 A", ABOVE_ZERO, 50.0)]
Speed = Annotated[float, Quantity("rad/s", "600 deg/s", ABOVE_ZERO, 1000.0)]
Acceleration = Annotated[float, Quantity("rad/s^2", "6000 deg/s^2", ABOVE_ZERO, 1e6)]
Jerk = Annotated[float, Quantity("rad/s^3", "200000 deg/s^3", ABOVE_ZERO, 1e9)]
Resistance = Annotated[float, Quantity("ohm", "0.6 ohm", 0.0, 1e7)]
PosResistance = Annotated[float, Quantity("ohm", "10 kohm", ABOVE_ZERO, 1e9)]
Stiffness = Annotated[float, Quantity("N/m", "25 kN/m", ABOVE_ZERO, 1e9)]
Time = Annotated[float, Quantity("s", "100 ms", 0.0, 1000.0)]
Rate = Annotated[float, Quantity("Hz", "500 Hz", 10.0, 10000.0)]
Temperature = Annotated[float, Quantity("degC", "85 degC", -40.0, 300.0)]
ThermalResistance = Annotated[float, Quantity("K/W", "25 K/W", ABOVE_ZERO, 1e4)]
HeatCapacity = Annotated[float, Quantity("J/K", "0.35 J/K", ABOVE_ZERO, 1e5)]
Constant = Annotated[float, Quantity("N*m/A", "0.39 N*m/A", ABOVE_ZERO, 1000.0)]
Viscous = Annotated[float, Quantity("N*m*s/rad", "1.5 mN*m*s/rad", 0.0, 100.0)]
Damping = Annotated[float, Quantity("N*s/m", "1 N*s/m", 0.0, 1e4)]
Thickness = Annotated[float, Quantity("m", "0.6 mm", 1e-5, 0.02)]
Pretension = Annotated[float, Quantity("N", "5 N", 0.0, 1e4)]
Electrical = Annotated[float, Quantity("rad", "340 deg", 0.1, 70.0)]
TipForce = Annotated[float, Quantity("N", "3 N", ABOVE_ZERO, 2000.0)]
Capacitance = Annotated[float, Quantity("F", "10 nF", 0.0, 1e-3)]
