// The compact payload of 11 bytes, as sensors/formats/compact.py lays it out, for network servers:
// payload codec API of the LoRa Alliance (TS013). Plain ECMAScript 5: their engines differ.

function bitsOf(bytes, first, count) {
  var value = 0;
  for (var at = first; at < first + count; at += 1) {
    value = value * 2 + ((bytes[at >> 3] >> (7 - (at & 7))) & 1);
  }
  return value;
}

function sampleAt(bytes, first) {
  var temperature = bitsOf(bytes, first, 11);
  var humidity = bitsOf(bytes, first + 11, 11);
  var contact = bitsOf(bytes, first + 22, 2);
  if (temperature > 1800 && temperature < 2047) {
    throw new Error("temperature code " + temperature + " means nothing");
  }
  if (humidity > 1050 && humidity < 2047) {
    throw new Error("humidity code " + humidity + " means nothing");
  }
  if (contact === 2) {
    throw new Error("contact code 2 means nothing");
  }
  return {
    temperature_c: temperature === 2047 ? null : (temperature - 600) / 10,
    humidity_percent: humidity === 2047 ? null : humidity / 10,
    contact: contact === 3 ? null : contact === 1
  };
}

function messageOf(bytes) {
  if (bytes.length !== 11) {
    throw new Error("payload of " + bytes.length + " bytes: it has 11");
  }
  var sample = sampleAt(bytes, 40);
  var battery = bitsOf(bytes, 33, 7);
  var age = bitsOf(bytes, 22, 11);
  var seq = bitsOf(bytes, 0, 22);
  if (battery > 100 && battery < 127) {
    throw new Error("battery code " + battery + " means nothing");
  }
  if (age && seq === 0) {
    throw new Error("seq 0 is the first sample: it has none before it");
  }
  if (!age && bitsOf(bytes, 64, 24) !== 0xffffff) {
    throw new Error("a sample before without its age");
  }
  return {
    seq: seq,
    sample: sample,
    previous: age ? sampleAt(bytes, 64) : null,
    age_min: age,
    battery_percent: battery === 127 ? null : battery
  };
}

function decodeUplink(input) {
  if (input.fPort !== 11) {
    return { errors: ["port " + input.fPort + ": this decoder is of port 11"] };
  }
  try {
    return { data: messageOf(input.bytes) };
  } catch (error) {
    return { errors: [error.message] };
  }
}
