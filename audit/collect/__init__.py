"""Pictures and self-description of the cameras themselves, by open protocols, read only.

In: each camera's address (a plan column or a CSV), and a password from outside the logbook. Out: one picture file a
camera in the visit's folder, what the device says of itself (:class:`audit.photos.device.DeviceFacts`), and for every
camera that gave none the reason. Nothing here can change a camera: the calls that are made are listed in
:data:`audit.collect.soap.CALLS`, and whatever else is asked for is refused before it is sent.

HTTP goes through httpx, which knows Basic and Digest (RFC 7617, RFC 7616) and streams, so that size and time are bounded;
ONVIF messages are built and read by zeep from the published WSDL: the first services' as onvif-zeep-async carries it (its
own client turns TLS checks off, so only its WSDL is used), the second media service's (profile T) as ONVIF's own files in
``wsdl/``; RTSP is read by PyAV.
"""
