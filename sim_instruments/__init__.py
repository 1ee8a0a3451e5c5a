"""The virtual bench: an invented display behind real SCPI instruments on TCP.

    python -m greystep.sim_instruments --panel vireth-10x --ready-file bench.json

starts five servers, each one instrument, all looking at the same simulated display, and a side door for tests. The ready
file (and standard output, one line) is JSON::

    {"resources": {"digitiser": "TCPIP0::127.0.0.1::40001::SOCKET", "pattern": ..., "luminance": ..., "power": ...,
                   "temperature": ...},
     "hislip": {the same instruments over HiSLIP},
     "side_door": {"host": ..., "port": ...}, "panel": ..., "pid": ...}

``--list`` lists the displays; ``--speed`` is explained in `clock`.

Messages end with a newline in both directions. Long and short forms, any case, path rules, ``MINimum|MAXimum|DEFault`` and
units (S MS US NS, V MV, HZ KHZ) are those of SCPI-1999. Read a block by its length: it may contain newlines.

=============================================  ==========================================================================
every instrument
-------------------------------------------------------------------------------------------------------------------------
``*IDN? *RST *CLS *TST? *WAI *TRG``            as IEEE 488.2
``*ESE *ESE? *ESR? *SRE *SRE? *STB?``          status; ``*OPC`` and ``*OPC?`` wait for what is pending
``SYSTem:ERRor[:NEXT]?`` ``:COUNt?``           error queue of 16; ``SYSTem:VERSion?`` is 1999.0
``STATus:OPERation:CONDition?``                2 display changes mode, 8 list plays, 16 measuring, 32 waiting for trigger
``STATus:OPERation[:EVENt]? :ENABle``          the same, latched
digitiser: channel 1 light, 2 sync line
-------------------------------------------------------------------------------------------------------------------------
``[SENSe:]VOLTage<1|2>:RANGe:PTPeak V``        full scale; ``:OFFSet V`` its centre
``[SENSe:]SWEep:TINTerval s``                  sample interval, rounded to 10 ns
``[SENSe:]SWEep:POINts n``                     samples a segment; ``:OREFerence:POINts n`` of them before the trigger
``[SENSe:]SWEep:COUNt n``                      segments
``TRIGger[:SEQuence]:SOURce``                  IMMediate, EXTernal (sync line), INTernal1, INTernal2, BUS
``TRIGger:LEVel V`` ``:SLOPe``                 POSitive, NEGative, EITHer
``INITiate[:IMMediate]`` ``ABORt`` ``*TRG``    -213 while running, -211 when nothing waits; complete segments survive ABORt
``TRACe:COUNt?`` ``:POINts?``                  segments complete; samples a segment
``FORMat[:DATA]``                              INTeger,16 / INTeger,8 / REAL,32 / ASCii; ``FORMat:BORDer`` NORMal or SWAPped
``TRACe:PREamble? 1|2``                        points,segments,x increment,x origin,y increment,y origin,y reference
``TRACe[:DATA]? 1|2[,first[,count]]``          block of complete segments; volts = (code - reference) * increment + origin
``TRACe:TIMestamps?``                          instant of each trigger, s since INITiate
``TRACe:CLIPped? 1|2``                         1 for each segment that touches an end of the range
pattern source
-------------------------------------------------------------------------------------------------------------------------
``SOURce:LEVel code``                          with the next frame; drops a list that plays
``SOURce:LIST:LEVel code,...`` ``:DWELl s``    up to 4096 levels; ``:COUNt?``; ``INITiate`` plays it once; ``ABORt``
``SOURce:DEPTh?`` ``SOURce:DELay?``            bits of a level; delay from sync edge to wire, s
``SOURce:SYNC:LOCK ON|OFF``                    sync edge at the frame's start (ON), or at the command (OFF: frame jitter)
``SOURce:WATChdog s``                          level 0 when the host is silent for that long (host seconds); 0 is off
``DISPlay:SETTing:CATalog?``                   names of the display's settings; ``:VALues? name`` what each may be
``DISPlay:SETTing name,value``                 set one; a change of mode blanks the screen for 0.2 s
luminance meter, power meter, thermometer
-------------------------------------------------------------------------------------------------------------------------
``READ?``                                      a mean over the aperture; the answer comes when that is over
``MEASure:LUMinance?`` ``MEASure:POWer?``      the same by name; cd/m2 and W
``[SENSe:]LUMinance|POWer:APERture s``         aperture
``MEASure:TEMPerature<1|2>?``                  deg C: 1 the room's air, 2 the display's surface
=============================================  ==========================================================================

The side door is explained in `orders`; `testing.VirtualBench` is a client for it.
"""
